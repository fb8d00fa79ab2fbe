// A note as it sounds, from the numbers that `simkit blow` gives of it: its pitch, its partials, how fast it grows from
// nothing, and the breath that stays noise.
//
//   tone: { partials: amplitudes over the first's, growth_per_s, noise: rms over the tone's, noise_hz, level_pa }
//
// A small swing grows as e^(s t) until the labium saturates: a(t) = 1/sqrt(1 + (1/a0^2 - 1) e^(-2 s t)), the amplitude of
// the simplest saturating oscillator (Landau's equation), from a0, a thousandth. What would take longer than
// LONGEST_ATTACK a player starts with the tongue: it grows as fast as fits.
const START = 1e-3, RISES = Math.log(1 / START) + 2, LONGEST_ATTACK = 0.6, FALL = 0.04, LOUDEST_PA = 2;

export function attackCurve(growth, points = 64) {
  const rate = Math.max(growth, RISES / LONGEST_ATTACK), seconds = RISES / rate;
  const curve = Float32Array.from({ length: points }, (_, n) => {
    const t = (seconds * n) / (points - 1);
    return 1 / Math.sqrt(1 + (1 / START ** 2 - 1) * Math.exp(-2 * rate * t));
  });
  curve[points - 1] = 1;
  return { curve, seconds };
}

export class Instrument {
  get context() {
    this.made ??= new AudioContext({ latencyHint: "interactive" });
    return this.made;
  }

  // Sounds a note until `stop`, or for some seconds; hz at once, the rest grows.
  play({ hz, tone, seconds = null }) {
    this.stop();
    const { context } = this, now = context.currentTime;
    context.resume();
    const loud = context.createGain(), grown = context.createGain();
    loud.gain.value = 0.5 * Math.min(1, Math.sqrt(tone.level_pa / LOUDEST_PA));
    const { curve, seconds: rise } = attackCurve(tone.growth_per_s);
    grown.gain.setValueCurveAtTime(curve, now, rise);
    const voice = new OscillatorNode(context, { frequency: hz, periodicWave: wave(context, tone.partials) });
    const breath = new AudioBufferSourceNode(context, { buffer: this.noise(), loop: true });
    const band = new BiquadFilterNode(context, { type: "bandpass", frequency: tone.noise_hz, Q: 0.4 });
    const hush = context.createGain();
    hush.gain.setValueAtTime(0, now);
    hush.gain.linearRampToValueAtTime(tone.noise, now + 0.02); // the breath is there before the note
    voice.connect(grown).connect(loud);
    breath.connect(band).connect(hush).connect(loud);
    loud.connect(context.destination);
    voice.start(now);
    breath.start(now);
    this.now = { voice, breath, loud };
    if (seconds !== null) this.timer = setTimeout(() => this.stop(), 1000 * seconds);
  }

  // Moves the pitch of what sounds.
  bend(hz) {
    this.now?.voice.frequency.setTargetAtTime(hz, this.context.currentTime, 0.01);
  }

  stop() {
    clearTimeout(this.timer);
    if (!this.now) return;
    const { voice, breath, loud } = this.now, end = this.context.currentTime;
    loud.gain.setTargetAtTime(0, end, FALL);
    voice.stop(end + 6 * FALL);
    breath.stop(end + 6 * FALL);
    this.now = null;
  }

  get playing() {
    return Boolean(this.now);
  }

  // A second of white noise, its rms that of a sine of amplitude 1.
  noise() {
    if (!this.buffer) {
      const { context } = this;
      this.buffer = context.createBuffer(1, context.sampleRate, context.sampleRate);
      const samples = this.buffer.getChannelData(0);
      for (let n = 0; n < samples.length; n++) samples[n] = Math.sqrt(1.5) * (2 * Math.random() - 1);
    }
    return this.buffer;
  }
}

function wave(context, partials) {
  const imag = Float32Array.from([0, ...partials]);
  return context.createPeriodicWave(new Float32Array(imag.length), imag, { disableNormalization: true });
}
