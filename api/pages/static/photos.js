// The queue of photos on this phone. A photo is safe only when the service has answered "stored".
//
// Two at a time; each is sent whole, and again whole after a growing delay (upload.js). The names of those not yet
// stored are kept on the phone, so that a page that was closed can ask for them again; what is stored is
// always told by the service, never by this list.
import { announce, newKey, reached, say } from "./send.js";
import { refresh } from "./live.js";
import { delayMs, upload } from "./upload.js";

const AT_ONCE = 2;
const FOR_GOOD = [400, 401, 403, 404, 409, 413, 415, 422];
const NOT_ITS_FAULT = [401, 403];  // the photo is wanted still, once the phone is paired again

const main = document.querySelector("[data-upload]");
const list = document.getElementById("on-this-phone");
const missing = document.getElementById("missing");
const memory = `photos ${main.dataset.upload}`;
const queue = [];

/** What tells two files on a phone apart, before anything of them is read. Some phones hand out copies, whose
 * time differs each time that a photo is chosen. */
const mark = (file) => `${file.name}|${file.size}`;

function remembered() {
  try {
    return JSON.parse(localStorage.getItem(memory)) ?? {};
  } catch {
    return {};
  }
}

function remember(file, key) {
  const all = remembered();
  if (key) all[mark(file)] = { name: file.name, key };
  else delete all[mark(file)];
  try {
    localStorage.setItem(memory, JSON.stringify(all));
  } catch {
    // No room to remember: the photos are sent all the same.
  }
}

function add(files) {
  for (const file of files) {
    if (queue.some((one) => mark(one.file) === mark(file) && one.state !== "refused")) continue;
    const key = remembered()[mark(file)]?.key ?? newKey();
    remember(file, key);
    const item = { file, key, state: "waiting", tries: 0, share: 0, says: "", card: makeCard(file) };
    queue.push(item);
    show(item);
  }
  tellMissing();
  next();
}

function makeCard(file) {
  const card = document.getElementById("queued-photo").content.firstElementChild.cloneNode(true);
  card.querySelector(".name").textContent = file.name;
  list.append(card);
  return card;
}

function show(item) {
  const { card, state } = item;
  card.dataset.state = state;
  card.querySelector(".state").textContent = say(`photo_${state}`, { percent: Math.round(item.share * 100) });
  card.querySelector("progress").hidden = state !== "sending";
  card.querySelector("progress").value = item.share;
  card.querySelector(".says").textContent = item.says;
  card.querySelector("button").hidden = !["resting", "refused"].includes(state);
}

function next() {
  const busy = queue.filter((item) => item.state === "sending").length;
  const waiting = queue.filter((item) => item.state === "waiting");
  for (const item of waiting.slice(0, AT_ONCE - busy)) transmit(item);
}

function transmit(item) {
  item.state = "sending";
  item.share = 0;
  const headers = { "X-Photo-Name": encodeURIComponent(item.file.name), "X-Photo-Key": item.key };
  upload(main.dataset.upload, item.file, headers, {
    sent: (share) => show(Object.assign(item, { share })),
    answered: (status, body) => answered(item, status, body),
    lost: (says) => rest(item, says),
  });
  show(item);
}

function answered(item, status, body) {
  if (status === 201 || status === 200) return stored(item, body);
  if (FOR_GOOD.includes(status)) return refuse(item, body.detail, NOT_ITS_FAULT.includes(status));
  return rest(item, body.detail);
}

function stored(item, body) {
  item.state = "stored";
  item.says = body.duplicate ? say("photo_duplicate") : "";
  remember(item.file, null);
  show(item);
  tellMissing();
  announce(say("photo_said_stored", { name: item.file.name, left: left() }));
  next();
  // The card stays until the service's own list shows the photo.
  refresh().then(() => item.card.remove());
}

function refuse(item, says, isWanted) {
  item.state = "refused";
  item.says = says;
  if (!isWanted) remember(item.file, null);
  show(item);
  announce(`${item.file.name}: ${says}`);
  next();
}

function rest(item, says) {
  item.tries += 1;
  item.state = "resting";
  const delay = delayMs(item.tries);
  item.says = `${says} ${say("photo_again", { seconds: Math.round(delay / 1000) })}`;
  if (item.tries > 1) reached(false);
  show(item);
  item.timer = setTimeout(() => retry(item), delay);
  next();
}

function retry(item) {
  clearTimeout(item.timer);
  item.state = "waiting";
  item.says = "";
  show(item);
  next();
}

const left = () => queue.filter((item) => !["stored", "refused"].includes(item.state)).length;

/** Names the photos that an earlier page had been given and that are not stored. */
function tellMissing() {
  const here = new Set(queue.map((item) => mark(item.file)));
  const names = Object.entries(remembered()).filter(([one]) => !here.has(one)).map(([, { name }]) => name);
  missing.hidden = names.length === 0;
  missing.querySelector(".names").textContent = names.join(", ");
}

function chosen(event) {
  if (event.target.type !== "file" || event.target.dataset.photos === undefined) return;
  add(event.target.files);
  event.target.value = "";
}

document.addEventListener("change", chosen);
list.addEventListener("click", (event) => {
  const item = event.target.matches("button") && queue.find((one) => one.card.contains(event.target));
  if (item) retry(item);
});
missing.querySelector("button").addEventListener("click", () => {
  localStorage.removeItem(memory);
  for (const item of queue) if (left()) remember(item.file, item.state === "stored" ? null : item.key);
  tellMissing();
});
document.addEventListener("submit", (event) => {
  if (event.target.id !== "close" || !left()) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  const wrong = event.target.querySelector(".form-wrong");
  wrong.textContent = event.target.dataset.unsent;
  wrong.focus();
}, true);
addEventListener("beforeunload", (event) => {
  if (left()) event.preventDefault();
});
addEventListener("online", () => queue.filter((item) => item.state === "resting").forEach(retry));
tellMissing();
