// Shows a probe as it is read: the stream gives a reading every few seconds, each value beside the one before.
const state = document.getElementById("state");
const rows = Object.fromEntries([...document.querySelectorAll("[data-channel]")].map((row) => [row.dataset.channel, row]));
const WORDS = { silent: "no answer", no_value: "no value", line_away: "line away", not_read: "not read" };
let count = 0;

function show(reading) {
  count += 1;
  const at = new Date(reading.at).toLocaleTimeString("en-GB");
  state.textContent = `Reading ${count}, ${at}.${reading.reason ? ` ${reading.reason}.` : ""}`;
  for (const [channel, [value, status]] of Object.entries(reading.values)) {
    const row = rows[channel];
    if (!row) continue;
    const now = row.querySelector(".value");
    row.querySelector(".before").textContent = now.textContent === "…" ? "" : now.textContent;
    now.textContent = value === null ? WORDS[status] || "not understood" : String(Math.round(value * 1e4) / 1e4);
    row.classList.toggle("none", value === null);
  }
}

if (state) {
  state.textContent = "Asking the node. The first reading takes some seconds.";
  const stream = new EventSource(state.dataset.stream);
  stream.addEventListener("reading", (event) => show(JSON.parse(event.data)));
  stream.addEventListener("away", (event) => { state.textContent = `Cannot be read now: ${event.data}.`; });
  stream.onerror = () => { state.textContent = "The service does not answer. It is tried again."; };
}
