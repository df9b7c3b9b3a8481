// The chip's own USB at a host: the emulator's model of one enumerates the device, and the serial port it finds is the
// pseudo-terminal. What that model leaves out is added: it offers bytes only when there are some, ends control transfers,
// and can be told to take nothing, to open and close the port, and to read any descriptor.

import { USBCDC } from 'rp2040js';

const DATA_TO_DEVICE = [0x40, 0x9c, 0, 0, 0, 0, 8]; // a line coding: 40,000 Bd, 8N1
const NOTHING = new Uint8Array(0);
const BULK = 2;

export class UsbHost {
  constructor() {
    this.toChip = [];
    this.out = [];
    this.deaf = false;
    this.latest = 0;
    this.connected = 0; // how often the device has been enumerated
  }

  attach(chip) {
    this.chip = chip;
    this.room = 0;
    this.collected = null;
    this.withheld = false;
    const usb = (this.usb = chip.rp.usbCtrl);
    const cdc = (this.cdc = new USBCDC(usb));
    cdc.onDeviceConnected = () => this.connected++;
    cdc.onSerialData = (bytes) => {
      this.out.push(...bytes);
      this.latest = chip.cycle;
    };
    const theirs = usb.onEndpointWrite;
    usb.onEndpointWrite = (endpoint, bytes) => {
      if (endpoint === 0 && this.collected) this.collected.push(...bytes);
      else theirs(endpoint, bytes);
    };
    usb.onEndpointRead = (endpoint, size) => {
      if (endpoint === 0) usb.endpointReadDone(0, size ? Uint8Array.from(DATA_TO_DEVICE) : NOTHING);
      else this.room = size;
    };
    const ready = usb.indicateBufferReady.bind(usb);
    usb.indicateBufferReady = (endpoint, out) => {
      if (this.deaf && endpoint === BULK && !out) this.withheld = true;
      else ready(endpoint, out);
    };
    this.ready = ready;
  }

  get busy() {
    return this.toChip.length > 0;
  }

  /** Hands over what the device has room for; the same as the UART's, once a slice of time. */
  step() {
    if (!this.room || !this.toChip.length) return;
    const bytes = Uint8Array.from(this.toChip.splice(0, this.room));
    this.room = 0;
    this.latest = this.chip.cycle;
    this.usb.endpointReadDone(this.cdc.outEndpoint, bytes);
  }

  hear(on) {
    this.deaf = !on;
    if (on && this.withheld) this.ready(BULK, false);
    this.withheld = false;
  }

  /** A control request by its eight bytes; what the device answers, and whether it refused. */
  request(bytes, wait) {
    this.collected = [];
    this.usb.epStallArm = 0;
    this.usb.sendSetupPacket(Uint8Array.from(bytes));
    wait();
    const answer = this.usb.epStallArm ? 'refused' : Buffer.from(this.collected).toString('hex') || 'empty';
    this.collected = null;
    return answer;
  }
}
