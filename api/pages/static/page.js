// Small things that any page may have: zooming by buttons, how numbers are shown on this device.

const ZOOMS = [1, 2, 4, 8];

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-zoom]");
  if (!button) return;
  const place = document.getElementById(button.getAttribute("aria-controls"));
  const now = ZOOMS.findIndex((zoom) => place.classList.contains(`zoom-${zoom}`));
  const next = Math.min(Math.max((now < 0 ? 0 : now) + Number(button.dataset.zoom), 0), ZOOMS.length - 1);
  const middle = [place.scrollLeft + place.clientWidth / 2, place.scrollTop + place.clientHeight / 2];
  const ratio = ZOOMS[next] / ZOOMS[now < 0 ? 0 : now];
  place.classList.remove(...ZOOMS.map((zoom) => `zoom-${zoom}`));
  place.classList.add(`zoom-${ZOOMS[next]}`);
  place.scrollLeft = middle[0] * ratio - place.clientWidth / 2;
  place.scrollTop = middle[1] * ratio - place.clientHeight / 2;
});

document.addEventListener("change", (event) => {
  const form = event.target.closest("form[data-shown]");
  if (!form) return;
  const shown = `${form.elements.unit.value}_${form.elements.mark.value === "," ? "comma" : "point"}`;
  document.cookie = `plumbsight_shown=${shown}; path=/; max-age=31536000; SameSite=Strict`;
  location.reload();
});
