// Any form with data-send="METHOD /api/..." becomes one JSON request; problems appear beside their fields.
//
// Names are dotted paths ("vehicle.wheelbase_mm"). data-type on a control: number, length (shown in this
// device's unit, sent in mm), integer, json, yes, lines. Empty controls are left out unless data-keep; an empty
// number that is kept is sent as null. A number that nobody touched is sent as data-exact says, since what is
// shown of it may be rounded.
// A button with its own data-send and data-then sends the form there.
// data-then: where to go, {name} from the answer; "stay" re-reads the page's live parts; "reload".
import { announce, newKey, say, send } from "./send.js";
import { refresh } from "./live.js";

const MM_PER_INCH = 25.4;

class FieldError extends Error {
  constructor(control, says) {
    super(says);
    this.control = control;
  }
}

/** What cannot even be sent: all of it, so that it is told at once. */
class FieldErrors extends Error {
  constructor(errors) {
    super();
    this.errors = errors;
  }
}

/** Reads "2712.5" and "2712,5"; spaces and apostrophes between thousands are nothing. */
export function readNumber(text) {
  const tidy = text.replace(/[\s'\u2019\u00a0]/g, "").replace(/\u2212/g, "-").replace(",", ".");
  return /^[-+]?(\d+\.?\d*|\.\d+)$/.test(tidy) ? Number(tidy) : NaN;
}

function valueOf(control) {
  const type = control.dataset.type, text = control.value;
  if (control.type === "checkbox") return type === "yes" ? control.checked : control.checked ? text : undefined;
  if (control.type === "radio") return control.checked ? (type === "integer" ? Number(text) : text) : undefined;
  const isNumber = ["number", "integer", "length"].includes(type);
  if (text.trim() === "" && control.dataset.keep === undefined) return undefined;
  if (text.trim() === "" && isNumber) return null;
  if (type === "lines") return text.split("\n").map((line) => line.trim()).filter(Boolean);
  if (type === "json") return readJson(control, text);
  if (!isNumber) return text.trim();
  if (control.dataset.exact !== undefined && text === control.defaultValue) return Number(control.dataset.exact);
  const number = readNumber(text);
  if (Number.isNaN(number)) throw new FieldError(control, say("not_a_number"));
  if (type === "integer" && !Number.isInteger(number)) throw new FieldError(control, say("not_whole"));
  const inches = type === "length" && document.documentElement.dataset.unit === "in";
  return inches ? Number((number * MM_PER_INCH).toFixed(4)) : number;
}

function valueOrError(control, errors) {
  try {
    return valueOf(control);
  } catch (wrong) {
    if (!(wrong instanceof FieldError)) throw wrong;
    errors.push(wrong);
    return undefined;
  }
}

function readJson(control, text) {
  try {
    return JSON.parse(text);
  } catch (wrong) {
    throw new FieldError(control, say("not_json", { says: wrong.message }));
  }
}

function put(target, path, value) {
  const names = path.split(".");
  const last = names.pop();
  let place = target;
  names.forEach((name, i) => (place = place[name] ??= /^\d+$/.test(names[i + 1] ?? last) ? [] : {}));
  place[last] = value;
}

function bodyOf(form) {
  const body = {}, lists = {}, errors = [];
  for (const control of form.elements) {
    if (!control.name || control.matches(":disabled")) continue;
    const value = valueOrError(control, errors);
    if (control.dataset.many !== undefined) {
      lists[control.name] ??= [];
      if (value !== undefined) lists[control.name].push(value);
    } else if (value !== undefined) {
      put(body, control.name, value);
    }
  }
  for (const [name, list] of Object.entries(lists)) put(body, name, list);
  if (errors.length) throw new FieldErrors(errors);
  return body;
}

function clear(form) {
  for (const wrong of form.querySelectorAll(".wrong, .form-wrong")) wrong.textContent = "";
  for (const control of form.querySelectorAll("[aria-invalid]")) control.removeAttribute("aria-invalid");
}

/** The control that a problem's path means: by its whole name, by its end, or by the object it lies in. */
function findControl(form, where) {
  const whole = where.replace(/^body\./, "");
  const path = whole.replace(/\[\d+\]|\.\d+(?=\.|$)/g, "");
  const controls = Array.from(form.elements).filter((one) => one.name && one.type !== "hidden" && !one.matches(":disabled"));
  for (let name = whole; name.includes("."); name = name.slice(0, name.lastIndexOf("."))) {
    const exact = controls.find((one) => one.name === name);
    if (exact) return exact;
  }
  const paths = [path];
  for (let cut = path; cut.includes("."); paths.push(cut)) cut = cut.slice(0, cut.lastIndexOf("."));
  for (const name of paths) {
    const found = controls.find((one) => one.name === name || one.dataset.where === name) ?? controls.find((one) => one.name.endsWith(`.${name}`))
      ?? controls.find((one) => one.dataset.type === "json" && one.name === "file");
    if (found) return found;
  }
  return null;
}

function showAt(control, says) {
  control.setAttribute("aria-invalid", "true");
  const place = document.getElementById(control.dataset.wrong ?? "");
  if (!place) return false;
  place.textContent = place.textContent ? `${place.textContent} ${says}` : says;
  for (let lid = control.closest("details"); lid; lid = lid.parentElement.closest("details")) lid.open = true;
  return true;
}

function showProblem(form, problem) {
  let first = null, beside = 0;
  for (const { where, says } of problem.errors ?? []) {
    const control = findControl(form, where);
    if (control && showAt(control, control.dataset.type === "json" ? `${where}: ${says}` : says)) {
      first ??= control;
      beside += 1;
    }
  }
  if (problem.type?.endsWith(":doubt")) askToConfirm(form);
  const whole = form.querySelector(".form-wrong");
  if (beside < (problem.errors ?? []).length || beside === 0) whole.textContent = problem.detail ?? problem.title ?? "";
  (first ?? whole).focus();
  announce(first ? say("fields_wrong", { n: beside }) : whole.textContent);
}

/** What may be meant otherwise is taken when the person says that it is meant so. */
function askToConfirm(form) {
  const place = form.querySelector(".confirm");
  if (!place) return;
  place.hidden = false;
  place.querySelector("input").disabled = false;
}

function then(form, where, answer) {
  if (where === "reload") return location.reload();
  if (where !== "stay") return location.assign(where.replace(/\{([\w.]+)\}/g, (_, name) => encodeURIComponent(answer[name])));
  if (form.dataset.said) {
    announce(form.dataset.said);
    form.reset();
  }
  form.dispatchEvent(new CustomEvent("answered", { bubbles: true, detail: answer }));
  return refresh();
}

async function submit(event) {
  const form = event.target.closest("form[data-send]");
  if (!form) return;
  event.preventDefault();
  if (form.dataset.busy) return;
  clear(form);
  let body;
  try {
    body = bodyOf(form);
  } catch (wrong) {
    if (!(wrong instanceof FieldErrors)) throw wrong;
    for (const { control, message } of wrong.errors) showAt(control, message);
    wrong.errors[0].control.focus();
    announce(say("fields_wrong", { n: wrong.errors.length }));
    return;
  }
  // A button may send the form elsewhere.
  const { send: to, then: next } = event.submitter?.dataset.send ? event.submitter.dataset : form.dataset;
  const [method, path] = to.split(" ");
  // The same attempt keeps its key, so that a lost answer does not make a second visit, kit or signature.
  const text = JSON.stringify([to, body]);
  if (form.sentText !== text) Object.assign(form, { sentText: text, key: newKey() });
  form.dataset.busy = "yes";
  const button = event.submitter ?? form.querySelector("button");
  button?.setAttribute("aria-disabled", "true");
  const answer = await send(method, path, method === "DELETE" && Object.keys(body).length === 0 ? undefined : body, form.key);
  delete form.dataset.busy;
  button?.removeAttribute("aria-disabled");
  if (answer.status >= 200 && answer.status < 300) {
    form.sentText = undefined;
    then(form, next ?? "stay", answer.body);
  } else {
    if (answer.status !== 0) form.sentText = undefined;
    showProblem(form, answer.body);
  }
}

document.addEventListener("submit", submit);
