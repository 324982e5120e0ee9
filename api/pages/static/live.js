// Parts of a page with data-live are read again from the server when it tells of a change: from the page itself,
// or from the address that data-live names, which is also read once at the start.
//
// One event stream a page, from <main data-events="...">. It is closed while the page is hidden, and when
// the page is looked at again everything is read anew, so that nothing depends on what was missed. While a part
// has data-again, it is asked for again every other second.
import { announce, newKey, reached } from "./send.js";

const AGAIN_MS = 2000;

const pageKey = newKey();
let timer = null;
let stream = null;
const readings = new Map(); // address -> what is under way: {running, again}

/** Reads the page again and puts its live parts in place; calls in the meantime make one more reading.
 *
 * Parts that come from an address of their own are read beside it: nothing waits for those.
 */
export function refresh() {
  for (const address of ownAddresses()) read(address);
  return read("");
}

function ownAddresses() {
  return new Set(Array.from(document.querySelectorAll("[data-live]:not([data-live=''])"), (one) => one.dataset.live));
}

function read(address) {
  const reading = readings.get(address) ?? { running: null, again: false };
  readings.set(address, reading);
  if (reading.running) {
    reading.again = true;
    return reading.running;
  }
  reading.running = readAgain(address).finally(() => {
    reading.running = null;
    askAgainSoon();
    if (reading.again) {
      reading.again = false;
      read(address);
    }
  });
  return reading.running;
}

async function readAgain(address) {
  const parts = () => document.querySelectorAll(`[data-live="${address}"]`);
  if (!parts().length) return;
  let answer;
  try {
    answer = await fetch(address || location.href, { credentials: "same-origin", headers: { Accept: "text/html" } });
  } catch {
    reached(false);
    return;
  }
  reached(true);
  if (address && !answer.ok) return;
  if (!answer.ok || answer.redirected) return location.reload();
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const part of parts()) {
    const other = fresh.getElementById(part.id);
    if (other && other.outerHTML !== part.served) swap(part, other);
  }
}

function askAgainSoon() {
  clearTimeout(timer);
  if (!document.hidden && document.querySelector("[data-again]")) timer = setTimeout(refresh, AGAIN_MS);
}

function swap(part, other) {
  const focus = part.contains(document.activeElement) ? document.activeElement : null;
  if (focus && /^(INPUT|TEXTAREA|SELECT)$/.test(focus.tagName) && focus.type !== "file") return;
  const open = Array.from(part.querySelectorAll("details[open][id]"), (one) => one.id);
  const news = other.querySelector("[data-announce]")?.textContent.trim();
  const known = part.querySelector("[data-announce]")?.textContent.trim();
  const text = other.outerHTML;
  part.replaceWith(other);
  other.served = text;
  for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  if (focus?.id) document.getElementById(focus.id)?.focus();
  if (news && news !== known) announce(news);
  document.dispatchEvent(new CustomEvent("swapped", { detail: other.id }));
}

function listen() {
  const path = document.querySelector("[data-events]")?.dataset.events;
  if (!path || stream || document.hidden) return;
  stream = new EventSource(`${path}&page=${pageKey}`);
  stream.addEventListener("change", () => refresh());
  stream.onopen = () => reached(true);
  stream.onerror = () => {
    // A refused stream is not tried again by the browser; one that broke off is.
    if (stream?.readyState === EventSource.CLOSED) {
      stream = null;
      setTimeout(listen, 5000);
    }
    refresh();
  };
}

function hush() {
  stream?.close();
  stream = null;
}

for (const part of document.querySelectorAll("[data-live]")) part.served = part.outerHTML;
document.addEventListener("visibilitychange", () => {
  if (document.hidden) return hush();
  listen();
  refresh();
});
addEventListener("pagehide", hush);
addEventListener("pageshow", listen);
listen();
for (const address of ownAddresses()) read(address);
askAgainSoon();
