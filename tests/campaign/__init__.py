"""Random faults at random moments of measurements and sweeps on the virtual bench: `python -m tests.campaign`.

The real command line, agent, source and record run as processes of their own. What plays the desk's part is put between
them: `injected/wire_tap.py` sits on the software wires and notes every level, whoever dies; `tether.py` stands where
ssh stands. Everything virtual; what is found out is whether anything is lost, not how quick anything is.
"""
