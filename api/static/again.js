// While the server starts again: asks until it answers with what was written, and leads back to the settings.
async function ask() {
  try {
    const answer = await fetch("/api/v1/settings");
    if (answer.ok && !(await answer.json()).start_needed) return location.replace("/settings");
  } catch (away) {
    // it is between two starts
  }
  setTimeout(ask, 1000);
}
setTimeout(ask, 1000);
