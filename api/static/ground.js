// Draws the chart in the look the reader has chosen, and asks for the page's words anew when there is news.
const chart = document.querySelector("[data-chart]");
const now = document.querySelector("[data-part]");
const dark = matchMedia("(prefers-color-scheme: dark)");
const CHART_AT_MOST_EVERY_MS = 60_000;
let drawnAt = 0;
let asked = 0;

async function draw() {
  const turn = ++asked;
  const answer = await fetch(`${chart.dataset.chart}&look=${dark.matches ? "dark" : "light"}`);
  if (!answer.ok || turn !== asked) return;
  const item = await answer.json();
  chart.replaceChildren();
  await Bokeh.embed.embed_item(item, chart.id);
  drawnAt = Date.now();
}

async function refresh() {
  const answer = await fetch(now.dataset.part);
  if (!answer.ok) return;
  const open = now.querySelector("details")?.open;
  now.innerHTML = await answer.text();
  const details = now.querySelector("details");
  if (details && open) details.open = true;
}

// No network, or the service is being restarted: what is shown stays, with the age it says.
const quietly = (work) => work().catch((reason) => console.info(reason.message));

if (chart) {
  quietly(draw);
  dark.addEventListener("change", () => quietly(draw));
}
if (now) {
  let first = true;
  new EventSource("/api/v1/live").addEventListener("change", () => {
    if (first) {
      first = false;
      return;
    }
    quietly(refresh);
    if (chart && Date.now() - drawnAt > CHART_AT_MOST_EVERY_MS) quietly(draw);
  });
}
