// The microphone as a tuner: what is blown, and what is held long enough to be a reading. Nothing leaves the page.
import { Microphone } from "./pitch.js";

export class Tuner {
  // onReading({ hz, tonal, held, steady }) some 20 times a second; onProblem(text) where there is no microphone.
  constructor({ onReading, onProblem }) {
    this.onReading = onReading;
    this.onProblem = onProblem;
    this.microphone = null;
  }

  async start() {
    this.stop();
    const microphone = new Microphone((reading) => this.onReading(reading));
    this.microphone = microphone;
    try {
      await microphone.start();
    } catch (error) {
      this.stop();
      const refused = error.name === "NotAllowedError";
      this.onProblem(refused ? "The browser was not allowed to use the microphone." : `No microphone: ${error.message}`);
      return false;
    }
    if (this.microphone !== microphone) microphone.stop(); // stopped while it was asked
    return this.microphone === microphone;
  }

  stop() {
    this.microphone?.stop();
    this.microphone = null;
  }

  get listening() {
    return Boolean(this.microphone);
  }
}
