// Plays a moment's recording where it stands, with its waveform. Without this script the links still open the sound.
import WaveSurfer from "./wavesurfer.esm.js";

const player = document.querySelector(".player");
const status = document.getElementById("playing");
let wave = null;
let chosen = null;

function make() {
  player.hidden = false;
  wave = WaveSurfer.create({
    container: "#wave",
    height: 56,
    waveColor: "#555",
    progressColor: "#111",
    cspNonce: player.dataset.nonce,
    backend: "WebAudio", // the recordings are short; the element would have to seek in them
  });
  wave.on("finish", () => say("Heard"));
  wave.on("error", (wrong) => {
    console.error(wrong);
    say("Cannot be played");
  });
}

function say(what) {
  status.textContent = `${what}: ${chosen.getAttribute("aria-label").replace(/^Hear /, "")}`;
}

async function hear(link) {
  if (!wave) make();
  if (chosen) chosen.removeAttribute("aria-current");
  chosen = link;
  link.setAttribute("aria-current", "true");
  try {
    const answer = await fetch(link.href);
    if (!answer.ok) {
      say("Not kept");
      return;
    }
    await wave.loadBlob(await answer.blob()); // whole, so that it can be sought in without asking again
    say("Playing");
    await wave.play();
  } catch (wrong) {
    console.error(wrong);
    say("Cannot be played");
  }
}

for (const link of document.querySelectorAll("a.hear")) {
  link.addEventListener("click", (event) => {
    event.preventDefault();
    hear(link);
  });
}
