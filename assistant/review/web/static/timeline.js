// Plays a moment's recording where it stands, with its waveform. Without this script the links still open the sound.
import WaveSurfer from "./wavesurfer.esm.js";

const player = document.querySelector(".player");
const status = document.getElementById("playing");
let wave = null;
const through = document.getElementById("through");
const links = [...document.querySelectorAll(".timeline a.hear")];
const PAUSE_MS = 700; // between two recordings that are played through, so that they are told apart
let chosen = null;
let left = []; // what is still to be played through
let waits = 0;

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

function make() {
  player.hidden = false;
  wave = WaveSurfer.create({
    container: "#wave",
    height: 56,
    waveColor: colour("--quiet"),
    progressColor: colour("--link"),
    cspNonce: player.dataset.nonce,
    backend: "WebAudio", // the recordings are short; the element would have to seek in them
  });
  wave.on("finish", () => {
    say("Heard");
    if (through.dataset.plays && left.length) waits = setTimeout(next, PAUSE_MS);
    else halt();
  });
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

function next() {
  waits = 0;
  const link = left.shift();
  link.scrollIntoView({ block: "center" });
  hear(link);
}

function halt() {
  clearTimeout(waits);
  waits = 0;
  through.textContent = left.length ? "Go on playing" : "Play these through";
  through.dataset.plays = "";
}

// One button: plays all that the table shows, pauses, and goes on where it was.
through.hidden = !links.length;
through.addEventListener("click", () => {
  if (through.dataset.plays) {
    const cut = wave.isPlaying();
    wave.pause();
    if (cut) left.unshift(chosen); // it is heard again from its beginning
    halt();
    return;
  }
  if (!left.length) left = [...links];
  through.textContent = "Pause";
  through.dataset.plays = "yes";
  next();
});

for (const link of document.querySelectorAll("a.hear")) {
  link.addEventListener("click", (event) => {
    event.preventDefault();
    left = [];
    halt();
    hear(link);
  });
}
