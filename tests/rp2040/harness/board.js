// A board under test in an emulated chip: random stimuli on GPIO 2, answers on GPIO 3, both in cycles of 8 ns.
//
//   node board.js IMAGE.bin COUNT SEED
//
// Prints a line an edge, as the rig's log has them: cycle, signal, level, with tabs between them.

import fs from 'node:fs';

import { Chip, CLOCK_HZ } from './chip.js';

const STARTED_CYCLES = CLOCK_HZ / 100; // 10 ms: clocks, pins and tick are set up
const FLOOR_CYCLES = CLOCK_HZ / 1000;
const MEAN_CYCLES = CLOCK_HZ / 200;
const WIDTH_CYCLES = CLOCK_HZ / 20_000;

function main([image, count, seed]) {
  let state = Number(seed) >>> 0;
  // xorshift32 (Marsaglia 2003, triple 13, 17, 5), as a number above 0 and at most 1
  const draw = () => {
    state ^= state << 13;
    state ^= state >>> 17;
    state ^= state << 5;
    return ((state >>> 0) + 1) / 2 ** 32;
  };
  const lines = [];
  const log = (cycle, signal, level) => lines.push(`${cycle}\t${signal}\t${level}\n`);
  const pins = { stimulus: 3, response: 2 }; // the chip's own view: it drives the one and hears the other
  const chip = new Chip(fs.readFileSync(image), pins, (cycle, level) => log(cycle, 'response', level));
  const change = (cycle, level) => {
    log(cycle, 'stimulus', level);
    chip.input(cycle, level);
  };
  chip.runUntil(STARTED_CYCLES);
  for (let i = 0; i < Number(count); i++) {
    const at = chip.cycle + 1;
    change(at, 1);
    change(at + WIDTH_CYCLES, 0);
    chip.runUntil(at + FLOOR_CYCLES - Math.round((MEAN_CYCLES - FLOOR_CYCLES) * Math.log(draw())));
  }
  fs.writeSync(1, lines.join(''));
}

main(process.argv.slice(2));
