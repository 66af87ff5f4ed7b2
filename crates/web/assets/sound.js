// Sound that tells the balance without looking: the pitch says which side pulls harder, the beat says
// by how much, and a plain steady tone says that it is within the tolerance.

/** Pitch when even [Hz]; the first body pulls it up, the last one down. */
const EVEN_HZ = 440;
/** Half an octave for the last body on either side. */
const REACH = 0.5;
/** Beats per second at the act limit. */
const ACT_BEATS = 6;

export class Sound {
  #context = null;
  #tone;
  #beat;
  #depth;
  #volume;

  get on() {
    return this.#context?.state === 'running';
  }

  /** Starts or stops; must come from a press of a button. */
  async toggle() {
    if (this.on) {
      await this.#context.suspend();
      return false;
    }
    if (!this.#context) this.#build();
    await this.#context.resume();
    return true;
  }

  #build() {
    const context = new AudioContext();
    this.#tone = context.createOscillator();
    this.#tone.type = 'triangle';
    this.#volume = context.createGain();
    this.#volume.gain.value = 0;
    const beating = context.createGain();
    beating.gain.value = 0.5;
    this.#beat = context.createOscillator();
    this.#depth = context.createGain();
    this.#depth.gain.value = 0;
    this.#beat.connect(this.#depth).connect(beating.gain);
    this.#tone.connect(beating).connect(this.#volume).connect(context.destination);
    this.#tone.start();
    this.#beat.start();
    this.#context = context;
  }

  /** The depressions [kPa] or nulls, with the limits of the profile. */
  play(kpa, config) {
    if (!this.on) return;
    const now = this.#context.currentTime;
    const known = kpa.every((value) => value !== null);
    this.#volume.gain.setTargetAtTime(known ? 0.25 : 0, now, 0.05);
    if (!known) return;
    const mean = kpa.reduce((sum, value) => sum + value, 0) / kpa.length;
    let worst = 0;
    kpa.forEach((value, body) => {
      if (value - mean > kpa[worst] - mean) worst = body;
    });
    const size = Math.max(...kpa) - Math.min(...kpa);
    const even = size <= config.good_kpa;
    // First body up, last body down, those between in between.
    const place = kpa.length > 1 ? 1 - (2 * worst) / (kpa.length - 1) : 0;
    this.#tone.frequency.setTargetAtTime(EVEN_HZ * 2 ** (even ? 0 : REACH * place), now, 0.04);
    this.#beat.frequency.setTargetAtTime(Math.min((size / config.act_kpa) * ACT_BEATS, 18), now, 0.05);
    this.#depth.gain.setTargetAtTime(even ? 0 : 0.5, now, 0.05);
  }

  /** Two short high notes: a reading was taken. */
  taken() {
    if (!this.on) return;
    for (const [delay, hz] of [[0, 880], [0.16, 1320]]) {
      const note = this.#context.createOscillator();
      const gain = this.#context.createGain();
      const at = this.#context.currentTime + delay;
      note.frequency.value = hz;
      gain.gain.setValueAtTime(0.4, at);
      gain.gain.exponentialRampToValueAtTime(0.001, at + 0.14);
      note.connect(gain).connect(this.#context.destination);
      note.start(at);
      note.stop(at + 0.15);
    }
  }
}
