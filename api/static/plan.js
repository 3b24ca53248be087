// A tap on the plan fills its place into the form that is open: metres to the right and up. Typing does the same.
const tap = document.getElementById("tap");

function placeOf(plan, event) {
  const box = plan.getBoundingClientRect();
  const { left, top, wide } = plan.dataset;
  const metre = Number(wide) / box.width;
  const x = Number(left) + (event.clientX - box.left) * metre;
  const y = Number(top) - (event.clientY - box.top) * metre;
  return [x.toFixed(1), y.toFixed(1)];
}

function fill(name, value) {
  const field = document.querySelector(`details[open] [data-tap="${name}"]`);
  if (!field) return;
  field.value = name === "path" && field.value.trim() ? `${field.value.trimEnd()}\n${value}` : value;
}

document.querySelector(".plan")?.addEventListener("click", (event) => {
  const plan = event.currentTarget;
  const [x, y] = placeOf(plan, event);
  if (!document.querySelector("details[open] [data-tap]")) document.getElementById("enter-place").open = true;
  fill("x", x);
  fill("y", y);
  fill("path", `${x} ${y}`);
  const box = plan.getBoundingClientRect();
  tap.style.left = `${event.clientX - box.left}px`;
  tap.style.top = `${event.clientY - box.top}px`;
  tap.hidden = false;
});
