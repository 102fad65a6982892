// The phone's ears and mouth on one sample clock: captures blocks of int16, and plays what comes.
class Phone extends AudioWorkletProcessor {
  constructor() {
    super();
    this.block = new Int16Array(128 * Math.ceil((0.02 * sampleRate) / 128)); // 20 ms or a little more
    this.filled = 0;
    this.queue = []; // sounds to be played: {id, total, pieces, at, done, from}
    this.ending = []; // sounds that were played and are still on their way to the loudspeaker
    this.latency = 0; // of that way, in samples
    this.frame = 0; // the next sample's number
    this.port.onmessage = ({ data }) => this.told(data);
  }

  told(data) {
    if (data.latency !== undefined) this.latency = data.latency;
    if (data.play !== undefined) this.queue.push({ id: data.play, total: data.total, pieces: [], at: 0, done: 0, from: -1 });
    if (data.piece) this.queue.find((sound) => sound.id === data.id)?.pieces.push(data.piece);
    if (data.stop) for (const sound of this.queue.splice(0)) this.report(sound, this.frame, true);
  }

  report(sound, frame, over) {
    this.port.postMessage({ played: sound.id, samples: sound.done, from: sound.from, frame, over });
  }

  process([input], [output]) {
    const out = output[0];
    // A page that is busy with its graph may keep the browser from moving currentFrame on (Chromium does so); it is right
    // again later. Each call is of samples that follow all before.
    const first = Math.max(currentFrame, this.frame);
    this.frame = first + out.length;
    if (input.length) this.capture(input[0]);
    else this.filled = 0; // no microphone: what comes next does not follow
    let at = 0;
    while (this.queue.length && at < out.length) {
      const sound = this.queue[0];
      const piece = sound.pieces[0];
      if (!piece && sound.done < sound.total) break; // the rest is still on its way
      if (piece) {
        if (sound.from < 0) sound.from = first + at + this.latency;
        const many = Math.min(out.length - at, piece.length - sound.at);
        for (let n = 0; n < many; n++) out[at + n] = piece[sound.at + n] / 32768;
        at += many;
        sound.at += many;
        sound.done += many;
        if (sound.at === piece.length) {
          sound.pieces.shift();
          sound.at = 0;
        }
      }
      if (sound.done >= sound.total) {
        this.queue.shift();
        this.ending.push({ ...sound, frame: first + at + this.latency });
      }
    }
    while (this.ending.length && first >= this.ending[0].frame) {
      const sound = this.ending.shift();
      this.report(sound, sound.frame, true);
    }
    if (this.queue.length && (first / 128) % 64 === 0) this.report(this.queue[0], first, false);
    return true;
  }

  capture(samples) {
    for (const sample of samples) {
      this.block[this.filled++] = Math.max(-32768, Math.min(32767, Math.round(sample * 32768)));
    }
    if (this.filled < this.block.length) return;
    const message = new ArrayBuffer(16 + 2 * this.filled); // the first sample's number, the time, the samples
    const head = new DataView(message);
    head.setFloat64(0, this.frame - this.filled, true);
    head.setFloat64(8, Date.now() / 1000, true);
    new Int16Array(message, 16).set(this.block);
    this.port.postMessage(message, [message]);
    this.filled = 0;
  }
}

registerProcessor("phone", Phone);
