// The pitch of a blown note from a microphone: frames of 150 ms, Hann's window, a padded transform, a parabola on the log
// of its strongest line; over a held note the frames' mean. As `simkit/making/bench/recording.py` reads a file: what is
// no single line in the band is no note.

export const FRAME_S = 0.15, LOWEST_HZ = 150, HIGHEST_HZ = 6000;
const TONAL = 0.25, QUIET = 1e-4, JUMP_CENTS = 80, UNSTEADY_CENTS = 50;
const HELD_S = 0.8;

export const cents = (hz, of) => 1200 * Math.log2(hz / of);

// A radix-2 transform in place; the length is a power of two.
export function transform(re, im) {
  const n = re.length;
  for (let i = 1, j = 0; i < n; i++) {
    let bit = n >> 1;
    for (; j & bit; bit >>= 1) j ^= bit;
    j ^= bit;
    if (i < j) {
      [re[i], re[j]] = [re[j], re[i]];
      [im[i], im[j]] = [im[j], im[i]];
    }
  }
  for (let len = 2; len <= n; len <<= 1) {
    const half = len >> 1, turn = (-2 * Math.PI) / len;
    for (let k = 0; k < half; k++) {
      const c = Math.cos(turn * k), s = Math.sin(turn * k);
      for (let i = k; i < n; i += len) {
        const j = i + half, xr = re[j] * c - im[j] * s, xi = re[j] * s + im[j] * c;
        re[j] = re[i] - xr;
        im[j] = im[i] - xi;
        re[i] += xr;
        im[i] += xi;
      }
    }
  }
}

// { hz, level, tonal } of a frame of samples; tonal: whether one line stands out of the band, so that hz is a note.
export function frequencyOf(samples, rate) {
  const n = samples.length, padded = 2 ** Math.ceil(Math.log2(4 * n));
  const re = new Float64Array(padded), im = new Float64Array(padded);
  const mean = samples.reduce((a, b) => a + b, 0) / n;
  let square = 0;
  for (let i = 0; i < n; i++) {
    const value = samples[i] - mean;
    square += value * value;
    re[i] = value * (0.5 - 0.5 * Math.cos((2 * Math.PI * i) / (n - 1)));
  }
  transform(re, im);
  const first = Math.ceil((LOWEST_HZ * padded) / rate);
  const last = Math.floor((Math.min(HIGHEST_HZ, 0.45 * rate) * padded) / rate);
  const power = (i) => re[i] * re[i] + im[i] * im[i];
  let top = first, band = 0;
  for (let i = first; i <= last; i++) {
    band += power(i);
    if (power(i) > power(top)) top = i;
  }
  const near = Math.round((2 * padded) / n); // half the main lobe of the window
  let line = 0;
  for (let i = Math.max(first, top - near); i <= Math.min(last, top + near); i++) line += power(i);
  const level = Math.sqrt(square / n);
  const [a, b, c] = [top - 1, top, top + 1].map((i) => Math.log(Math.max(power(i), 1e-300)));
  const peak = top + (a === c ? 0 : (0.5 * (a - c)) / (a - 2 * b + c));
  return { hz: (peak * rate) / padded, level, tonal: level > QUIET && line > TONAL * band };
}

// Follows frames { hz, tonal } at times in s and says what is held: `take` gives { hz, held, steady, swing }, or null where
// nothing sounds. hz: the mean over the note so far, each frame weighted by Hann's window over the note; steady: held
// for HELD_S and no more astray than a note with vibrato.
export class Held {
  constructor() {
    this.frames = [];
    this.missed = 0;
  }

  take(frame, time) {
    const last = this.frames.at(-1);
    const goes = frame.tonal && (!last || Math.abs(cents(frame.hz, last.hz)) < JUMP_CENTS);
    if (!goes) {
      this.missed += 1;
      if (this.missed <= 3) return null;
      this.frames = frame.tonal ? [{ ...frame, time }] : [];
      this.missed = 0;
      return null;
    }
    this.missed = 0;
    this.frames.push({ ...frame, time });
    return this.reading();
  }

  reading() {
    const { frames } = this, count = frames.length, held = frames.at(-1).time - frames[0].time;
    const weights = frames.map((_, n) => 0.5 - 0.5 * Math.cos((2 * Math.PI * (n + 1)) / (count + 1)));
    const whole = weights.reduce((a, b) => a + b);
    const hz = frames.reduce((sum, frame, n) => sum + (weights[n] / whole) * frame.hz, 0);
    const off = frames.map((frame) => cents(frame.hz, hz)).sort((a, b) => a - b);
    const swing = (off[Math.floor(0.95 * (count - 1))] - off[Math.ceil(0.05 * (count - 1))]) / 2;
    return { hz, held, swing, steady: held >= HELD_S && swing <= UNSTEADY_CENTS };
  }
}

// The microphone: calls `heard({ hz, level, tonal, held, steady })` some 20 times a second until `stop`. Nothing that it
// hears leaves the page.
export class Microphone {
  constructor(heard) {
    this.heard = heard;
  }

  async start() {
    if (!navigator.mediaDevices?.getUserMedia) {
      throw new Error("This browser gives no microphone to a page that was opened like this; open the file in a desktop browser.");
    }
    const sound = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };
    this.stream = await navigator.mediaDevices.getUserMedia({ audio: sound });
    this.context = new AudioContext();
    await this.context.resume();
    const analyser = new AnalyserNode(this.context, { fftSize: 32768, smoothingTimeConstant: 0 });
    this.context.createMediaStreamSource(this.stream).connect(analyser);
    const rate = this.context.sampleRate, all = new Float32Array(analyser.fftSize);
    const held = new Held(), length = Math.round(FRAME_S * rate), began = this.context.currentTime;
    this.timer = setInterval(() => {
      if (this.context.currentTime - began < 2 * FRAME_S) return;
      analyser.getFloatTimeDomainData(all);
      const frame = frequencyOf(all.subarray(all.length - length), rate);
      this.heard({ ...frame, ...held.take(frame, this.context.currentTime) });
    }, 50);
  }

  stop() {
    clearInterval(this.timer);
    this.stream?.getTracks().forEach((track) => track.stop());
    this.context?.close();
    this.stream = this.context = null;
  }
}
