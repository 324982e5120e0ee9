// Pairing this device: the code comes after the # of the address, which no log ever sees, or is typed.
import { announce, newKey, send } from "./send.js";

const look = document.getElementById("look");
const answers = document.getElementById("answers");
let code = "";

function showProblem(form, problem) {
  const whole = form.querySelector(".form-wrong");
  whole.textContent = problem.detail ?? problem.title;
  whole.focus();
}

async function ask(event) {
  event?.preventDefault();
  code = look.elements.code.value.trim();
  look.querySelector(".form-wrong").textContent = "";
  const answer = await send("POST", "/api/pair/look", { code }, newKey());
  if (answer.status !== 200) return showProblem(look, answer.body);
  const { asks, name, people } = answer.body;
  for (const part of answers.querySelectorAll("[data-ask]")) {
    part.hidden = !asks.includes(part.dataset.ask);
    for (const control of part.querySelectorAll("input")) control.disabled = part.hidden;
  }
  const greeting = document.getElementById("greeting");
  greeting.textContent = name
    ? greeting.dataset.known.replace("{name}", name)
    : asks.includes("name") ? greeting.dataset.first : greeting.dataset.terminal;
  listPeople(people ?? []);
  look.hidden = true;
  answers.hidden = false;
  announce(greeting.textContent);
  answers.querySelector("input:not(:disabled)")?.focus();
}

function listPeople(people) {
  const place = document.getElementById("people");
  place.replaceChildren(...people.map(({ id, name }) => {
    const label = document.createElement("label");
    const input = Object.assign(document.createElement("input"), { type: "radio", name: "person_id", value: id });
    label.append(input, name);
    return label;
  }));
}

async function pair(event) {
  event.preventDefault();
  const form = answers.elements;
  const value = (control) => (control && !control.disabled && control.value ? control.value : undefined);
  const body = { code, name: value(form.name), person_id: value(form.person_id), pin: value(form.pin) ?? value(form.new_pin) };
  const answer = await send("POST", "/api/pair", body, newKey());
  if (answer.status >= 300 || answer.status === 0) return showProblem(answers, answer.body);
  location.replace(answers.dataset.then);
}

look.addEventListener("submit", ask);
answers.addEventListener("submit", pair);
if (location.hash.length > 1) {
  look.elements.code.value = decodeURIComponent(location.hash.slice(1));
  history.replaceState(null, "", location.pathname + location.search);
  ask();
}
