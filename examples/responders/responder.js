// The reject gate in JavaScript (Node.js), through sysfs: node responder.js CHIP INPUT OUTPUT COUNT [RECORDS]
//
// Node.js alone has no ioctl and no poll for the urgent condition by which sysfs tells of an edge: both take a native
// add-on. What it can do is to read the level again and again. That takes a whole processor, and misses every pulse
// that is shorter than a look. RECORDS: so many objects are made after each answer and kept for 64 edges.
'use strict';
const fs = require('fs');
const path = require('path');

const GPIO = '/sys/class/gpio';
const HIGH = Buffer.from('1');
const LOW = Buffer.from('0');

function until(condition, what) {
  const end = Date.now() + 10_000;
  while (!condition()) if (Date.now() > end) throw new Error(`${what} did not come within 10 s`);
}

// An exported line gets its owner a moment after its files are there.
function usable(file) {
  try {
    fs.accessSync(file, fs.constants.W_OK);
    return true;
  } catch {
    return false;
  }
}

function line(chip, offset, direction) {
  const beside = path.join(fs.realpathSync(`/sys/bus/gpio/devices/${path.basename(chip)}`), '..', 'gpio');
  const base = Number(fs.readFileSync(path.join(beside, fs.readdirSync(beside)[0], 'base'), 'ascii'));
  const folder = `${GPIO}/gpio${base + Number(offset)}`;
  if (!fs.existsSync(folder)) fs.writeFileSync(`${GPIO}/export`, String(base + Number(offset)));
  for (const name of ['direction', 'value']) until(() => usable(`${folder}/${name}`), `${folder}/${name}`);
  fs.writeFileSync(`${folder}/direction`, direction);
  return fs.openSync(`${folder}/value`, direction === 'in' ? 'r' : 'w');
}

function work(records, bottle) {
  return Array.from({ length: records }, (_, lot) => ({ bottle, lot }));
}

function main(chip, source, target, count, records) {
  const output = line(chip, target, 'low');
  const input = line(chip, source, 'in');
  const seen = Buffer.alloc(1);
  const kept = new Array(64);
  let before = true;
  process.stderr.write('ready\n');
  for (let i = 0; i < count; ) {
    fs.readSync(input, seen, 0, 1, 0);
    const now = seen[0] === HIGH[0];
    if (now && !before) {
      fs.writeSync(output, HIGH, 0, 1, 0);
      fs.writeSync(output, LOW, 0, 1, 0);
      if (records) kept[i % 64] = work(records, i);
      i++;
    }
    before = now;
  }
}

const words = process.argv.slice(2);
if (words.length < 4) {
  process.stderr.write('usage: node responder.js CHIP INPUT OUTPUT COUNT [RECORDS]\n');
  process.exit(2);
}
main(words[0], words[1], words[2], Number(words[3]), Number(words[4] || 0));
