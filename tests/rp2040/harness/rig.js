// The rig: the RP2040 pulse source's firmware in an emulated chip, a responder as the board under test, UART0 or the
// chip's own USB on a pseudo-terminal, and a log of every edge in cycles of 8 ns.
//
//   node rig.js IMAGE.bin TRUTH.tsv TERMINAL-FD [--usb] [--without synchroniser|skipping]... [NAME=VALUE]...
//
// Prints "ready", then obeys lines on standard input: sync, responder ..., level 0|1, hang, uart HEX (said on UART0, with
// what it has said since), usb hears|deaf, usb request HEX, quit.

import fs from 'node:fs';

import { Chip } from './chip.js';
import { Responder } from './responder.js';
import { readNow, Serial, Terminal } from './serial.js';
import { UsbHost } from './usb.js';

const PINS = { stimulus: 2, response: 3 };
const SLICE_CYCLES = 12_500;
const BUSY_SLICE_CYCLES = 1_250; // half a byte at 500 kBd
const QUIET_CYCLES = 125_000_000; // after 1 s without any activity the rig slows down instead of burning a core
const QUIET_WAIT_MS = 2;
const CONTROL_CYCLES = 125_000; // a control request is over by then

Error.stackTraceLimit = 0; // a terminal without bytes is an exception a thousand times a second

const nap = (ms) => Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, ms);

function main([imagePath, truthPath, terminal, ...rest]) {
  const without = new Set();
  const responder = new Responder();
  let onUsb = false;
  for (let i = 0; i < rest.length; i++) {
    if (rest[i] === '--without') without.add(rest[++i]);
    else if (rest[i] === '--usb') onUsb = true;
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
  const serial = new Serial();
  serial.attach(chip);
  const host = onUsb ? new UsbHost() : null; // without one the device is not plugged in
  host?.attach(chip);
  const line = new Terminal(Number(terminal), host ?? serial);

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
    } else if (word === 'uart') {
      serial.toChip.push(...Buffer.from(words[0], 'hex'));
      say(`heard ${Buffer.from(serial.out.splice(0)).toString('hex')}`);
    } else if (word === 'usb' && words[0] === 'request') {
      const wait = () => chip.runUntil(chip.cycle + CONTROL_CYCLES);
      say(`answer ${host.request(Buffer.from(words[1], 'hex'), wait)} ${host.connected}`);
    } else if (word === 'usb') {
      host.hear(words[0] === 'hears');
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
    if (!line.exchange()) {
      nap(1);
      continue;
    }
    const end = chip.cycle + SLICE_CYCLES;
    while (chip.cycle < end) {
      const { resets } = chip;
      serial.step();
      host?.step();
      chip.runUntil(Math.min(end, chip.cycle + (serial.busy ? BUSY_SLICE_CYCLES : SLICE_CYCLES)));
      if (chip.resets !== resets) {
        log(chip.cycle, 'reset', 1);
        serial.attach(chip);
        host?.attach(chip);
      }
    }
    if (!chip.running && chip.cycle > Math.max(latestEdge, serial.latest, host?.latest ?? 0) + QUIET_CYCLES) nap(QUIET_WAIT_MS);
  }
}

main(process.argv.slice(2));
