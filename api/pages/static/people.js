// Shows a fresh pairing code and its QR code for each address.
import { announce } from "./send.js";

function card({ url, says, qr_svg }) {
  const place = document.createElement("div");
  place.className = "card";
  const picture = document.createElement("div");
  picture.className = "qr";
  picture.append(document.importNode(new DOMParser().parseFromString(qr_svg, "image/svg+xml").documentElement, true));
  picture.firstElementChild.setAttribute("role", "img");
  picture.firstElementChild.setAttribute("aria-label", url);
  const words = [url, says].map((text) => Object.assign(document.createElement("p"), { textContent: text }));
  place.append(picture, ...words);
  return place;
}

document.addEventListener("answered", ({ detail }) => {
  if (!detail?.code) return;
  const place = document.getElementById("code");
  document.getElementById("code-text").textContent = detail.code;
  document.getElementById("code-links").replaceChildren(...detail.links.map(card));
  place.hidden = false;
  place.scrollIntoView();
  place.focus();
  announce(document.getElementById("code-heading").textContent);
});
