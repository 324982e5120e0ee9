// Shows what verifying found, in words.
import { announce, say } from "./send.js";

const place = document.getElementById("verified");

function line(text) {
  return Object.assign(document.createElement("p"), { textContent: text });
}

function lines({ faults, photos, n_records: records, chains, heads }) {
  const links = chains.reduce((sum, chain) => sum + chain.n_entries, 0);
  const files = Object.values(photos).reduce((sum, n) => sum + n, 0);
  const told = [say(faults.length ? "verify_faults" : "verify_sound", { n: faults.length, records, links, files }), ...faults];
  if (photos.removed) told.push(say(photos.removed === 1 ? "verify_removed_one" : "verify_removed_other", { n: photos.removed }));
  for (const head of heads) {
    told.push(say(head.store_id ? "verify_head_there" : "verify_head_missing", { code: head.code, n: head.n_after }));
  }
  return told;
}

document.addEventListener("answered", ({ target, detail }) => {
  if (target.id !== "verify") return;
  const told = lines(detail);
  place.replaceChildren(...told.map(line));
  place.className = "qualm";
  place.hidden = false;
  place.focus();
  announce(told[0]);
});
