// Has the agent read the probe for as long as its page is open, and the page asked for again with each reading: what it
// shows is worked out on the server. A phone that comes back from the pocket asks at once.
const state = document.getElementById("state");

function news() {
  document.dispatchEvent(new Event("news"));
}

if (state) {
  const stream = new EventSource(state.dataset.stream);
  stream.addEventListener("reading", news);
  stream.addEventListener("away", news);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) news(); });
}
