// A text file from this device into a text field, to be looked at before anything is sent.

document.addEventListener("change", async (event) => {
  const { into } = event.target.dataset;
  if (!into || !event.target.files.length) return;
  const field = document.getElementById(into);
  field.value = await event.target.files[0].text();
  event.target.value = "";
  field.focus();
});
