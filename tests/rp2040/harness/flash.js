// The serial flash chip's number, which the emulator's flash interface does not know: command 4Bh, four bytes that do not
// matter, and eight bytes of number, one byte out for each byte in.

const FLASH_INTERFACE = 0x18000;
const STATUS = 0x28;
const DATA = 0x60;
const ENABLE = 0x08;
const READ_UNIQUE_ID = 0x4b;
const DUMMIES = 4;

export function giveNumber(rp, number) {
  const ssi = rp.peripherals[FLASH_INTERFACE];
  const read = ssi.readUint32.bind(ssi);
  const write = ssi.writeUint32.bind(ssi);
  let sent = [];
  let waiting = [];
  ssi.writeUint32 = (offset, value) => {
    if (offset === ENABLE) [sent, waiting] = [[], []];
    if (offset !== DATA) return write(offset, value);
    sent.push(value & 0xff);
    const place = sent.length - 2 - DUMMIES;
    waiting = [...waiting, sent[0] === READ_UNIQUE_ID && place >= 0 ? number[place] ?? 0xff : 0xff];
    return undefined;
  };
  ssi.readUint32 = (offset) => {
    if (offset === DATA && waiting.length) return waiting.shift();
    if (offset === STATUS) return (read(offset) & ~8) | (waiting.length ? 8 : 0);
    return read(offset);
  };
}
