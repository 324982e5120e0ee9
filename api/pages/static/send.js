// Calls to the service: keys, answers, problem details, and what is said to those who do not see the page.

export const words = JSON.parse(document.getElementById("words").textContent);

/** The text of a key, with {name} filled in. */
export function say(key, values = {}) {
  return words[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);
}

/** A key that no other request will have. Works on an address that is no secure context, too. */
export function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

export function formToken() {
  return document.querySelector("meta[name=form-token]").content;
}

/** Says something politely to a screen reader. */
export function announce(text) {
  const place = document.getElementById("said");
  if (place.textContent !== text) place.textContent = text;
}

/** Shows or hides the sentence that the service cannot be reached. */
export function reached(isReached) {
  document.getElementById("offline").hidden = isReached;
}

/**
 * One request with a JSON answer.
 * @returns {Promise<{status: number, body: object}>} status 0: the service was not reached.
 */
export async function send(method, path, body, key) {
  const headers = { "X-Form-Token": formToken(), Accept: "application/json", "Idempotency-Key": key };
  if (body !== undefined) headers["Content-Type"] = "application/json";
  // What a file holds is in mm: where one is typed, answers are too.
  const { unit, mark } = document.documentElement.dataset;
  if (!document.querySelector('[data-type="json"]')) headers["X-Shown-In"] = `${unit}_${mark === "," ? "comma" : "point"}`;
  try {
    const answer = await fetch(path, {
      method, headers, credentials: "same-origin", body: body === undefined ? undefined : JSON.stringify(body),
    });
    reached(true);
    const text = await answer.text();
    return { status: answer.status, body: text ? JSON.parse(text) : {} };
  } catch {
    reached(false);
    return { status: 0, body: { detail: say("not_reached") } };
  }
}
