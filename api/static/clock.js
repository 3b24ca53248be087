// Shows the time of the device beside that of the box, and gives it to the box when the reader says that it is right.
const form = document.getElementById("clock");
const device = document.getElementById("device");
const taken = document.getElementById("taken");

const language = document.documentElement.lang;

function show() {
  device.textContent = new Date().toLocaleString(language === "en" ? "en-GB" : language, { weekday: "short", day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit" });
}

if (form) {
  form.hidden = false;
  show();
  setInterval(show, 1000);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    let answer;
    try {
      answer = await fetch("/api/v1/clock", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ now: new Date().toISOString() }),
      });
    } catch (reason) {
      taken.textContent = form.dataset.sayAway;
      return;
    }
    taken.textContent = answer.ok ? form.dataset.sayTaken : (await answer.json()).detail;
    if (answer.ok) location.reload();
  });
}
