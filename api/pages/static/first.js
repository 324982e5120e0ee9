// A first kit: what it can prove is shown in place, once that is worked out.

document.addEventListener("answered", ({ detail }) => {
  if (!detail.outlook) return;
  const place = document.getElementById("outlook");
  place.dataset.live = `/kits/new/first/outlook?key=${detail.outlook}`;
  place.scrollIntoView();
});
