// Shows the time of the device beside that of the box, and gives it to the box when the reader says that it is right.
const form = document.getElementById("clock");
const device = document.getElementById("device");
const taken = document.getElementById("taken");

function show() {
  device.textContent = new Date().toLocaleString("en-GB", { weekday: "short", day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit" });
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
      taken.textContent = "The service does not answer.";
      return;
    }
    taken.textContent = answer.ok ? "Taken." : (await answer.json()).detail;
    if (answer.ok) location.reload();
  });
}
