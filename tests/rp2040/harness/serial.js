// UART0, whose bytes take their time both ways, and the pseudo-terminal that whoever starts the rig has opened.

import fs from 'node:fs';

import { CLOCK_HZ } from './chip.js';

const BITS_PER_BYTE = 10;
const FIFO_BYTES = 32;
const FULL = 1 << 5;
const NOT_YET = new Set(['EAGAIN', 'EWOULDBLOCK']);

/** Bytes at hand from a non-blocking descriptor; null at its end. */
export function readNow(fd, buffer) {
  try {
    const count = fs.readSync(fd, buffer, 0, buffer.length, null);
    return count ? buffer.subarray(0, count) : null;
  } catch (error) {
    if (NOT_YET.has(error.code)) return buffer.subarray(0, 0);
    if (error.code === 'EOF' || error.code === 'EIO') return null;
    throw error;
  }
}

export class Serial {
  constructor() {
    this.toChip = [];
    this.nextIn = 0;
    this.leaving = []; // {byte, cycle}: on the line until then
    this.out = [];
    this.overruns = 0;
    this.latest = 0;
  }

  attach(chip) {
    this.chip = chip;
    this.leaving = [];
    const uart = (this.uart = chip.rp.uart[0]);
    const flags = Object.getOwnPropertyDescriptor(Object.getPrototypeOf(uart), 'flags').get;
    Object.defineProperty(uart, 'flags', {
      get: () => flags.call(uart) | (this.inFifo() >= FIFO_BYTES ? FULL : 0),
    });
    uart.onByte = (byte) => {
      if (!uart.enabled || !uart.txEnabled) return;
      const last = this.leaving.length ? this.leaving[this.leaving.length - 1].cycle : 0;
      this.leaving.push({ byte, cycle: Math.max(chip.cycle, last) + this.byteCycles });
      this.latest = chip.cycle;
    };
  }

  get byteCycles() {
    return Math.round((CLOCK_HZ * BITS_PER_BYTE) / this.uart.baudRate);
  }

  /** Bytes in the sending FIFO; the one that is leaving is not in it any more. */
  inFifo() {
    const { leaving } = this;
    let sent = 0;
    while (sent < leaving.length && leaving[sent].cycle <= this.chip.cycle) sent++;
    for (let i = 0; i < sent; i++) this.out.push(leaving[i].byte);
    leaving.splice(0, sent);
    return leaving.length - 1;
  }

  get busy() {
    return this.toChip.length > 0 || this.leaving.length > 0;
  }

  /** Passes on what is due at the present cycle; called at least once a byte's time while busy. */
  step() {
    this.inFifo();
    if (this.toChip.length && this.chip.cycle >= this.nextIn && this.uart.enabled && this.uart.rxEnabled) {
      this.nextIn = this.chip.cycle + this.byteCycles;
      this.latest = this.chip.cycle;
      if (this.uart.rxFIFO.full) this.overruns++;
      else this.uart.feedByte(this.toChip[0]);
      this.toChip.shift();
    }
  }

}

/** The terminal that one of the chip's serial lines is joined to. */
export class Terminal {
  constructor(fd, line) {
    this.fd = fd;
    this.line = line;
    this.buffer = Buffer.alloc(4096);
  }

  /** Exchanges bytes with the line; false while the terminal does not take what is to be written. */
  exchange() {
    const { line } = this;
    if (!line.toChip.length) {
      const bytes = readNow(this.fd, this.buffer);
      if (bytes) line.toChip.push(...bytes);
    }
    if (!line.out.length) return true;
    try {
      const count = fs.writeSync(this.fd, Buffer.from(line.out));
      line.out.splice(0, count);
    } catch (error) {
      if (!NOT_YET.has(error.code)) throw error;
    }
    return line.out.length === 0;
  }
}
