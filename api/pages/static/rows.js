// Rows of a form: one more from its <template>, one taken out, one put back.
//
// A row that is taken out stays on the page with its fieldset disabled, so that nothing of it is sent and
// nothing that was typed is lost before the form is.
// A folded part of the form says what it holds as it was stored; once touched, it says that, too.

function addRow(button) {
  const { add: id, mark, next } = button.dataset;
  const html = document.getElementById(`${id}-new`).innerHTML.replaceAll(mark, next);
  button.dataset.next = Number(next) + 1;
  const list = document.getElementById(id);
  list.insertAdjacentHTML("beforeend", html);
  list.lastElementChild.querySelector("input:not([type=hidden])")?.focus();
}

function takeOut(row, isOut) {
  const own = (what) => Array.from(row.querySelectorAll(what)).filter((one) => one.closest("[data-row]") === row);
  const fields = row.querySelector(":scope > fieldset");
  fields.disabled = fields.hidden = isOut;
  for (const [what, hides] of [["[data-take-out]", isOut], ["[data-put-back]", !isOut], ["[data-when-out]", !isOut]]) {
    for (const one of own(what)) one.hidden = hides;
  }
  row.classList.toggle("out", isOut);
  (isOut ? own("[data-put-back]")[0] : fields.querySelector("input:not([type=hidden])"))?.focus();
}

function touch(inside) {
  const mark = inside.closest("[data-part]")?.querySelector("[data-touched]");
  if (mark) mark.hidden = false;
}

document.addEventListener("input", (event) => touch(event.target));
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-add], [data-take-out], [data-put-back]");
  if (!button) return;
  touch(button);
  if (button.dataset.add !== undefined) return addRow(button);
  takeOut(button.closest("[data-row]"), button.dataset.takeOut !== undefined);
});
