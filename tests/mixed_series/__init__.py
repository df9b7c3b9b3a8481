"""One series over software wires, an emulated board with two kernels, and a bare-metal board in a chip simulator."""
