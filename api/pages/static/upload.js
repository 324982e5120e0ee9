// One file sent as a request's body: how far it got, what was answered, or that the service was not reached.
//
// Over XMLHttpRequest, since fetch does not tell how much of a body has been sent.
import { formToken, reached, say } from "./send.js";

const FIRST_DELAY_MS = 1000, LONGEST_DELAY_MS = 30000;
const SILENCE_MS = 90000;  // a connection that died without a word
const LOOK_EVERY_MS = 5000;

/** How long to wait before a file that did not get through is sent again, whole. */
export const delayMs = (tries) => Math.min(FIRST_DELAY_MS * 2 ** (tries - 1), LONGEST_DELAY_MS);

/**
 * @param {{sent(share: number): void, answered(status: number, body: object): void, lost(says: string): void}} told
 * @param patienceMs How long the service may be silent once it has all of the file.
 */
export function upload(path, file, headers, told, patienceMs = SILENCE_MS) {
  const request = new XMLHttpRequest();
  let heardAt = Date.now(), patience = SILENCE_MS;
  const watch = setInterval(() => Date.now() - heardAt > patience && request.abort(), LOOK_EVERY_MS);
  const end = (tell) => () => {
    clearInterval(watch);
    tell();
  };
  request.open("POST", path);
  request.setRequestHeader("Content-Type", "application/octet-stream");
  request.setRequestHeader("X-Form-Token", formToken());
  for (const [name, value] of Object.entries(headers)) request.setRequestHeader(name, value);
  request.upload.onprogress = (event) => {
    heardAt = Date.now();
    if (event.lengthComputable) told.sent(event.loaded / event.total);
  };
  request.upload.onload = () => {
    heardAt = Date.now();
    patience = patienceMs;
    told.sent(1);
  };
  request.onload = end(() => {
    reached(true);
    told.answered(request.status, read(request.responseText));
  });
  request.onerror = end(() => told.lost(say("not_reached")));
  request.onabort = request.ontimeout = request.onerror;
  request.send(file);
}

/** The answer's body; of something that is not the service, only that it is not known. */
function read(text) {
  try {
    return { detail: say("upload_unknown_problem"), ...JSON.parse(text) };
  } catch {
    return { detail: say("upload_unknown_problem") };
  }
}
