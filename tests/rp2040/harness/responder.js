// The board under test by rule; times in cycles.

const DEFAULTS = {
  on: 0,
  jumper: 0,
  inverted: 0,
  delay_min: 125_000,
  delay_max: 125_000,
  width: 12_500,
  miss_every: 0,
  twice_every: 0,
  bursts: 1,
  gap: 12_500,
  seed: 1,
};

export class Responder {
  constructor() {
    this.rule = { ...DEFAULTS };
    this.stimuli = 0;
  }

  /** Takes NAME=VALUE words; false when one is unknown. */
  set(words) {
    return words.every((word) => {
      const [name, value] = word.split('=');
      if (!(name in DEFAULTS) || !/^\d+$/.test(value)) return false;
      this.rule[name] = Number(value);
      if (name === 'seed') this.state = undefined;
      return true;
    });
  }

  // xorshift32 (Marsaglia 2003, triple 13, 17, 5)
  draw(below) {
    let x = this.state ?? this.rule.seed >>> 0;
    x ^= x << 13;
    x ^= x >>> 17;
    x ^= x << 5;
    this.state = x >>> 0;
    return this.state % below;
  }

  each(n) {
    return n && this.stimuli % n === 0;
  }

  /** What the answer's wire does after an edge of the stimulus: [cycle, level] pairs. */
  answer(cycle, level) {
    const rule = this.rule;
    if (!rule.on) return [];
    if (rule.jumper) return [[cycle + rule.delay_min, level]];
    if (level === rule.inverted) return [];
    this.stimuli++;
    const rise = cycle + rule.delay_min + this.draw(rule.delay_max - rule.delay_min + 1);
    if (this.each(rule.miss_every)) return [];
    const edges = [];
    const answers = this.each(rule.twice_every) ? 2 * rule.bursts : rule.bursts;
    for (let i = 0, at = rise; i < answers; i++, at += rule.width + rule.gap) edges.push([at, 1], [at + rule.width, 0]);
    return edges;
  }
}
