// The phone as the visit's microphone and loudspeaker, over one socket that is opened again whenever it is lost.
const of = (id) => document.getElementById(id);
const QUIET_MS = 1500; // without a word of the visit it is lost: told within 2 s
const AGAIN_MS = 1000;
const CLIP = 0; // the sound that is kept here, to be played when the visit cannot be heard
const BEHIND = 1.0; // seconds of sound that the network did not take; more is let go, and counted as missing

const code = location.hash.slice(1);
if (code) history.replaceState(null, "", location.pathname + location.search); // it is not to be seen over a shoulder, nor kept

let context, node, socket, clip, settings;
let life = 0; // when the visit was last heard of
let lost = false;
let over = false;

async function open() {
  const asked = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
  const processed = new URLSearchParams(location.search).get("processed"); // to measure what the browser's own does
  for (const name of processed?.split(",") ?? []) asked[name] = true;
  const stream = await navigator.mediaDevices.getUserMedia({ audio: asked });
  const [track] = stream.getAudioTracks();
  settings = track.getSettings();
  const before = context;
  let source;
  try {
    context ??= new AudioContext({ sampleRate: 16000, latencyHint: "interactive" });
    source = context.createMediaStreamSource(stream);
  } catch (wrong) {
    if (wrong.name !== "NotSupportedError") throw wrong;
    context.close();
    context = new AudioContext({ latencyHint: "interactive" }); // this browser takes the device's own rate only
    node = null;
    source = context.createMediaStreamSource(stream);
  }
  if (!node) {
    await context.audioWorklet.addModule("/phone/worklet.js");
    node = new AudioWorkletNode(context, "phone", { numberOfInputs: 1, numberOfOutputs: 1, outputChannelCount: [1] });
    node.port.onmessage = ({ data }) => heard(data);
    node.connect(context.destination);
    context.onstatechange = () => !over && context.state !== "running" && context.resume(); // after a call
  }
  source.connect(node);
  await context.resume();
  // A headset was unplugged, or the system took the microphone: what there is now is taken instead.
  track.onended = () => {
    source.disconnect();
    if (!over) open().catch(() => tell("denied"));
  };
  if (socket && before !== context) gone(); // of another rate, and counted anew: so is the line
}

function heard(data) {
  if (socket?.readyState !== WebSocket.OPEN || lost) return;
  if (!(data instanceof ArrayBuffer)) {
    if (data.played !== CLIP) socket.send(JSON.stringify(data));
  } else if (socket.bufferedAmount < BEHIND * 2 * context.sampleRate) {
    socket.send(data);
  }
}

function connect() {
  const mine = (socket = new WebSocket(`${location.protocol.replace("http", "ws")}//${location.host}/phone/sound`));
  mine.binaryType = "arraybuffer";
  life = performance.now();
  mine.onopen = () => {
    const { echoCancellation, noiseSuppression, autoGainControl } = settings;
    const delays = { output_s: context.outputLatency || context.baseLatency || 0 };
    node.port.postMessage({ latency: Math.round(delays.output_s * context.sampleRate) });
    const asked = { code, key: localStorage.getItem("key"), rate_hz: context.sampleRate };
    mine.send(JSON.stringify({ ...asked, delays, processed: { echoCancellation, noiseSuppression, autoGainControl } }));
  };
  mine.onmessage = ({ data }) => mine === socket && told(data);
  mine.onclose = ({ code: why, reason }) => {
    if (mine !== socket) return;
    if (why === 4001) end("over");
    else if (why === 4000) end(reason);
    else gone();
  };
}

function told(data) {
  life = performance.now();
  if (data instanceof ArrayBuffer) {
    const id = new DataView(data).getUint32(0, true);
    const piece = new Int16Array(data, 4);
    if (id === CLIP) clip = piece;
    else node.port.postMessage({ id, piece });
    return;
  }
  const message = JSON.parse(data);
  if (message.key) localStorage.setItem("key", message.key);
  if (message.tick) socket.send(JSON.stringify({ tock: message.tick }));
  if (message.play) node.port.postMessage(message);
  if (message.stop) node.port.postMessage({ stop: true });
  if (message.now !== undefined) of("now").innerHTML = message.now; // made and escaped by the page's own template
  if (message.tick) {
    if (lost) node.port.postMessage({ stop: true }); // what the phone says by itself
    lost = false;
    of("told").hidden = true;
    of("now").hidden = false; // what was true a while ago would be believed, so that it waits for this
  }
}

function gone() {
  const closing = socket;
  socket = null;
  closing.close();
  if (!lost) {
    lost = true;
    tell("lost");
    node.port.postMessage({ stop: true });
    if (clip) {
      node.port.postMessage({ play: CLIP, total: clip.length });
      node.port.postMessage({ id: CLIP, piece: clip });
    }
  }
  setTimeout(connect, AGAIN_MS);
}

function tell(what) {
  const alarm = what === "lost" && of("now").querySelector(".alarm"); // whoever leaves loses the network, and stays out
  of("told").textContent = `${alarm ? alarm.textContent : ""} ${of(what)?.innerHTML ?? what}`.trim();
  of("told").className = what === "over" ? what : "";
  of("told").hidden = false;
  of("now").hidden = true;
}

function end(sentence) {
  over = true;
  tell(sentence);
  context.close();
}

async function wake() {
  try {
    await navigator.wakeLock.request("screen");
    of("dim").hidden = true;
  } catch {
    of("dim").hidden = document.visibilityState !== "visible";
  }
}

document.addEventListener("visibilitychange", () => {
  if (context && !over && document.visibilityState === "visible") {
    wake();
    context.resume();
  }
});

setInterval(() => {
  if (socket && !over && performance.now() - life > QUIET_MS) gone();
}, 250);

of("start").onclick = async () => {
  try {
    await open();
  } catch {
    tell("denied");
    return;
  }
  of("start").hidden = of("told").hidden = true;
  wake();
  connect();
};
