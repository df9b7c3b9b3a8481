"""Edges from recordings made with other instruments: oscilloscope CSV and VCD, into run directories."""
