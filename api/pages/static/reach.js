// Asks the service whether it hears this device, and what it takes it for.
const place = document.getElementById("reach");

try {
  const answer = await fetch(`/api/reach?device_time_ms=${Date.now()}`, { headers: { Accept: "application/json" } });
  const seen = await answer.json();
  place.textContent = `${place.dataset.reached.replace("{address}", seen.device_address)} ${seen.clock_says}`;
} catch {
  place.textContent = place.dataset.failed;
}
