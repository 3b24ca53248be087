// As soon as something in the form is changed the page asks for itself with what is in it: what is made of the booking
// is then said beside it, and the form stays as it is. Without this script the button asks.
const form = document.getElementById("book");
const WAIT_MS = 300;
let later;

document.getElementById("judge").hidden = true;
form.addEventListener("input", () => {
  clearTimeout(later);
  later = setTimeout(() => {
    history.replaceState(null, "", `?${new URLSearchParams(new FormData(form))}`);
    document.dispatchEvent(new Event("news"));
  }, WAIT_MS);
});
