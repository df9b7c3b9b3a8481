// Time passes quickly while the core sleeps and every state machine only counts.
//
// A machine that has come back to the same place with nothing changed but X (and copies of X) gone down by the same
// amount does so again, until X passes zero or meets what it is compared with: its program can look at nothing else
// but its pin and its FIFOs, and those change only with something that is scheduled. So whole rounds are added up.

const ROUND_CYCLES = 6; // the longest waiting loop of these programs; the others fit into it
const MARGIN = 8;
const COUNTERS = ['x', 'y', 'outputShiftReg', 'inputShiftReg'];

function looks(machine) {
  return [
    machine.pc,
    machine.waiting,
    machine.enabled,
    machine.inputShiftCount,
    machine.outputShiftCount,
    machine.rxFIFO.itemCount,
    machine.txFIFO.itemCount,
  ];
}

const snapshot = (machines) =>
  machines.map((machine) => ({ looks: looks(machine), counters: COUNTERS.map((name) => machine[name] >>> 0) }));

const down = (before, after) => (before - after) >>> 0;

/** Rounds for which a machine certainly goes on like this; 0 when it does not just count. */
function rounds(before, after) {
  if (before.looks.some((value, i) => value !== after.looks[i])) return 0;
  const steps = before.counters.map((value, i) => down(value, after.counters[i]));
  const [step, stepY] = steps;
  const [x, y] = after.counters;
  if (step === 0 || steps.some((other) => other !== 0 && other !== step)) return 0;
  const toZero = x - MARGIN;
  const toY = stepY === step ? Infinity : down(x, y) - MARGIN;
  return Math.max(0, Math.floor(Math.min(toZero, toY) / step));
}

/** Passes up to `most` cycles; false when nothing was done. Cycles are counted, the clock is not told. */
export function skip(chip, most) {
  if (most < 3 * ROUND_CYCLES) return false;
  const machines = chip.pio.machines.filter((machine) => machine.enabled);
  const before = snapshot(machines);
  const events = chip.events.length;
  for (let i = 0; i < ROUND_CYCLES; i++) {
    chip.stepMachines();
    if (!chip.rp.core.waiting || chip.events.length !== events) return true;
  }
  const after = snapshot(machines);
  let count = Math.floor((most - ROUND_CYCLES) / ROUND_CYCLES);
  for (let i = 0; i < machines.length; i++) count = Math.min(count, rounds(before[i], after[i]));
  if (count <= 0) return true;
  machines.forEach((machine, m) =>
    COUNTERS.forEach((name, c) => {
      const step = down(before[m].counters[c], after[m].counters[c]);
      if (step) machine[name] = (machine[name] - count * step) >>> 0;
    }),
  );
  chip.cycle += count * ROUND_CYCLES;
  return true;
}
