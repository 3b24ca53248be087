// Shows a probe as it is read: the stream gives a reading every few seconds, each value beside the one before.
const state = document.getElementById("state");
const rows = Object.fromEntries([...document.querySelectorAll("[data-channel]")].map((row) => [row.dataset.channel, row]));
let count = 0;

function show(reading) {
  count += 1;
  const clock = new Date(reading.at).toLocaleTimeString("en-GB");
  const told = state.dataset.sayReading.replace("{n}", count).replace("{clock}", clock);
  state.textContent = `${told}${reading.reason ? ` ${reading.reason}.` : ""}`;
  for (const [channel, [value, status]] of Object.entries(reading.values)) {
    const row = rows[channel];
    if (!row) continue;
    const now = row.querySelector(".value");
    row.querySelector(".before").textContent = now.textContent === "…" ? "" : now.textContent;
    now.textContent = value === null ? state.getAttribute(`data-say-${status}`) || state.dataset.sayStrange : String(Math.round(value * 1e4) / 1e4);
    row.classList.toggle("none", value === null);
  }
}

if (state) {
  state.textContent = state.dataset.sayAsking;
  const stream = new EventSource(state.dataset.stream);
  stream.addEventListener("reading", (event) => show(JSON.parse(event.data)));
  stream.addEventListener("away", (event) => { state.textContent = state.dataset.sayCannot.replace("{reason}", () => event.data); });
  stream.onerror = () => { state.textContent = state.dataset.sayAway; };
}
