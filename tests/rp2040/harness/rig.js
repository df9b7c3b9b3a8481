// The rig: the RP2040 pulse source's firmware in an emulated chip, a responder as the board under test, UART0 on a
// pseudo-terminal, and a log of every edge in cycles of 8 ns.
//
//   node rig.js IMAGE.bin TRUTH.tsv TERMINAL-FD [--without synchroniser|skipping]... [NAME=VALUE]...
//
// Prints "ready", then obeys lines on standard input: sync, responder ..., level 0|1, hang, quit.

import fs from 'node:fs';

import { Chip } from './chip.js';
import { Responder } from './responder.js';
import { readNow, Serial } from './serial.js';

const PINS = { stimulus: 2, response: 3 };
const SLICE_CYCLES = 12_500;
const BUSY_SLICE_CYCLES = 1_250; // half a byte at 500 kBd
const QUIET_CYCLES = 125_000_000; // after 1 s without any activity the rig slows down instead of burning a core
const QUIET_WAIT_MS = 2;

Error.stackTraceLimit = 0; // a terminal without bytes is an exception a thousand times a second

const nap = (ms) => Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, ms);

function main([imagePath, truthPath, terminal, ...rest]) {
  const without = new Set();
  const responder = new Responder();
  for (let i = 0; i < rest.length; i++) {
    if (rest[i] === '--without') without.add(rest[++i]);
    else if (!responder.set([rest[i]])) throw new Error(`unknown option or setting ${rest[i]}`);
  }
  const truth = fs.openSync(truthPath, 'w');
  let lines = [];
  let latestEdge = 0;
  const log = (cycle, signal, level) => {
    lines.push(`${cycle}\t${signal}\t${level}\n`);
    latestEdge = cycle;
  };
  const flush = () => {
    if (lines.length) fs.writeSync(truth, lines.join(''));
    lines = [];
  };

  let wire = 0; // the response's level, as scheduled so far
  const chip = new Chip(
    fs.readFileSync(imagePath),
    PINS,
    (cycle, level) => {
      log(cycle, 'stimulus', level);
      for (const [at, to] of responder.answer(cycle, level)) respond(at, to);
    },
    { without },
  );
  function respond(cycle, level) {
    if (level === wire) return;
    wire = level;
    log(cycle, 'response', level);
    chip.input(cycle, level);
  }
  const serial = new Serial(Number(terminal));
  serial.attach(chip);

  const say = (text) => fs.writeSync(1, `${text}\n`);
  function obey(line) {
    const [word, ...words] = line.split(' ');
    if (word === 'sync') {
      flush();
      say(`synced ${chip.cycle} ${serial.overruns}`);
    } else if (word === 'responder') {
      say(responder.set(words) ? 'ok' : 'unknown setting');
    } else if (word === 'level') {
      respond(chip.cycle, Number(words[0]));
      say('ok');
    } else if (word === 'hang') {
      chip.hang();
      say('ok');
    } else {
      flush();
      process.exit(0);
    }
  }

  const control = Buffer.alloc(4096);
  let said = '';
  function hear() {
    const bytes = readNow(0, control);
    if (bytes === null) process.exit(0); // whoever started the rig is gone
    if (!bytes.length) return;
    said += bytes.toString('latin1');
    const parts = said.split('\n');
    said = parts.pop();
    parts.forEach(obey);
  }

  say('ready');
  for (;;) {
    hear();
    if (!serial.exchange()) {
      nap(1);
      continue;
    }
    const end = chip.cycle + SLICE_CYCLES;
    while (chip.cycle < end) {
      const { resets } = chip;
      serial.step();
      chip.runUntil(Math.min(end, chip.cycle + (serial.busy ? BUSY_SLICE_CYCLES : SLICE_CYCLES)));
      if (chip.resets !== resets) {
        log(chip.cycle, 'reset', 1);
        serial.attach(chip);
      }
    }
    if (!chip.running && chip.cycle > Math.max(latestEdge, serial.latest) + QUIET_CYCLES) nap(QUIET_WAIT_MS);
  }
}

main(process.argv.slice(2));
