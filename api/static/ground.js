// Draws the chart in the look the reader has chosen, asks for the page's words anew when there is news, and says so when
// the service does not answer: what is shown then is of an earlier time.
const chart = document.querySelector("[data-chart]");
const now = document.querySelector("[data-part]");
const away = document.getElementById("away");
const dark = matchMedia("(prefers-color-scheme: dark)");
const CHART_AT_MOST_EVERY_MS = 60_000;
const DRAW_AGAIN_AFTER_MS = 300;
let drawnAt = 0;
let drawnWidth = 0;
let drawing = false;
let again = false; // the look or the width has changed since
let heardAt = new Date();

function sayAway() {
  const time = heardAt.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  away.textContent = `The service does not answer. What you see is as it was at ${time} on this device's clock.`;
  away.hidden = false;
}

function sayBack() {
  heardAt = new Date();
  away.hidden = true;
}

async function ask(address) {
  let answer;
  try {
    answer = await fetch(address);
  } catch (reason) {
    sayAway();
    return null;
  }
  if (!answer.ok) {
    sayAway();
    return null;
  }
  sayBack();
  return answer;
}

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
  const answer = await ask(`${chart.dataset.chart}&look=${look}&width=${drawnWidth}`);
  if (!answer) return;
  const item = await answer.json();
  chart.replaceChildren();
  await Bokeh.embed.embed_item(item, chart.id);
  chart.dataset.drawn = "yes";
  drawnAt = Date.now();
}

async function refresh() {
  if (now.contains(document.activeElement) && document.activeElement.matches("input")) return; // somebody is writing
  const answer = await ask(now.dataset.part);
  if (!answer) return;
  const open = [...now.querySelectorAll("details[open]")].map((details) => details.id);
  const held = document.activeElement?.closest("details")?.id;
  now.innerHTML = await answer.text();
  for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  if (held) document.getElementById(held)?.querySelector("summary")?.focus();
}

draw();
dark.addEventListener("change", draw);

let later;
addEventListener("resize", () => {
  clearTimeout(later);
  if (chart && chart.clientWidth !== drawnWidth) later = setTimeout(draw, DRAW_AGAIN_AFTER_MS);
});

if (now) {
  document.addEventListener("news", refresh); // what this page itself has brought about
  let seen = now.dataset.change; // what came before the page was connected is news too
  const news = new EventSource("/api/v1/live");
  news.addEventListener("open", sayBack);
  news.addEventListener("error", sayAway); // the browser itself tries again
  news.addEventListener("change", (event) => {
    const count = event.lastEventId;
    if (seen === count) return;
    seen = count;
    refresh();
    if (chart && !drawing && Date.now() - drawnAt > CHART_AT_MOST_EVERY_MS) draw();
  });
}
