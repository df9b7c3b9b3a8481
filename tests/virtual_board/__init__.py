"""The virtual board: a real Debian kernel with simulated GPIO lines, jumper wires and a pulse source, in an emulator."""
