// Draws the chart in the look the reader has chosen.
const chart = document.querySelector("[data-chart]");
const dark = matchMedia("(prefers-color-scheme: dark)");
const CHART_AT_MOST_EVERY_MS = 60_000;
const DRAW_AGAIN_AFTER_MS = 300;
let drawnAt = 0;
let drawnWidth = 0;
let drawing = false;
let again = false; // the look or the width has changed since

async function draw() {
  if (!chart || typeof Bokeh === "undefined") return;
  again = true;
  if (drawing) return; // what is being drawn is finished first: under a stream of news nothing would ever be
  drawing = true;
  try {
    while (again) {
      again = false;
      await drawOnce();
    }
  } finally {
    drawing = false;
  }
}

async function drawOnce() {
  drawnWidth = chart.clientWidth;
  const look = dark.matches ? "dark" : "light";
  const answer = await fetch(`${chart.dataset.chart}&look=${look}&width=${drawnWidth}`).catch(() => null);
  if (!answer?.ok) return;
  const item = await answer.json();
  chart.replaceChildren();
  await Bokeh.embed.embed_item(item, chart.id);
  chart.dataset.drawn = "yes";
  drawnAt = Date.now();
}

draw();
dark.addEventListener("change", draw);

let later;
addEventListener("resize", () => {
  clearTimeout(later);
  if (chart && chart.clientWidth !== drawnWidth) later = setTimeout(draw, DRAW_AGAIN_AFTER_MS);
});
document.addEventListener("changed", () => {
  if (!drawing && Date.now() - drawnAt > CHART_AT_MOST_EVERY_MS) draw();
});
