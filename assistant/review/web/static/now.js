// Keeps the screen at the visit that goes on. Without this script the page loads itself again every two seconds.
const now = document.getElementById("now");
const lost = document.getElementById("lost");
const EVERY_MS = 500;
let shown = "";

async function look() {
  try {
    const answer = await fetch(`${location.pathname}/glance`, { signal: AbortSignal.timeout(4000), redirect: "error" });
    if (!answer.ok) throw new Error(answer.statusText);
    const text = await answer.text();
    if (text !== shown) now.innerHTML = shown = text; // made and escaped by the page's own template
    lost.hidden = true;
  } catch {
    lost.hidden = false;
  }
  now.hidden = !lost.hidden; // what was true a while ago would be believed
  setTimeout(look, EVERY_MS);
}

look();
