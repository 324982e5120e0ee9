// Another store's visits, brought as a zip: sent whole, and again until it is answered. Twice is once.
import { announce, reached, say } from "./send.js";
import { refresh } from "./live.js";
import { delayMs, upload } from "./upload.js";

const PATIENCE_MS = 1800000;  // a day of visits is checked in some minutes
const place = document.getElementById("brought");
const chooser = document.getElementById("zip");
let underWay = false;

function line(text) {
  return Object.assign(document.createElement("p"), { textContent: text });
}

/** Says where it stands; what is said to those who do not see the page is left out where it says too much. */
function tell(text, said = text) {
  place.hidden = false;
  place.querySelector(".says").replaceChildren(line(text));
  if (said) announce(said);
}

function bring(file, tries = 1) {
  const progress = place.querySelector("progress");
  underWay = true;
  chooser.disabled = true;
  progress.hidden = false;
  tell(say("import_sending", { name: file.name, percent: 0 }));
  upload(chooser.dataset.import, file, {}, {
    sent: (share) => {
      progress.value = share;
      if (share === 1) tell(say("import_checking", { name: file.name }));
      else tell(say("import_sending", { name: file.name, percent: Math.round(100 * share) }), "");
    },
    answered: (status, body) => {
      if (status === 201) brought(body);
      else if (status >= 502 && status <= 504) again(file, tries, body.detail);
      else end([say("import_refused", { name: file.name }), body.detail]);
    },
    lost: (says) => again(file, tries, says),
  }, PATIENCE_MS);
}

function again(file, tries, says) {
  if (tries > 1) reached(false);
  const seconds = Math.round(delayMs(tries) / 1000);
  tell(`${says} ${say("photo_again", { seconds })}`);
  setTimeout(() => bring(file, tries + 1), delayMs(tries));
}

function brought({ visits, n_photos: photos, n_removed: removed }) {
  const fresh = visits.filter((one) => one.is_new), known = visits.filter((one) => !one.is_new);
  const named = ({ number, label, shop }) => say(shop ? "import_visit_of" : "import_visit", { number, label, shop });
  const told = [say("import_taken", { n: fresh.length, photos }), ...fresh.map(named)];
  if (known.length) told.push(say("import_known", { n: known.length }), ...known.map(named));
  if (removed) told.push(say("import_removed", { n: removed }));
  end(told);
  refresh();
}

function end(told) {
  underWay = false;
  chooser.disabled = false;
  chooser.value = "";
  place.querySelector("progress").hidden = true;
  place.querySelector(".says").replaceChildren(...told.map(line));
  place.focus();
  announce(told.slice(0, 2).join(" "));
}

chooser.addEventListener("change", () => chooser.files.length && bring(chooser.files[0]));
addEventListener("beforeunload", (event) => {
  if (underWay) event.preventDefault();
});
