"""Recordings of other instruments become runs.

`import_files` opens files by their first bytes. A table (`csv_reader`, `binary_files`, `session_archive`) is a
`samples.SampleFile`: a layout, and columns that `samples.Cutter` cuts into segments. `waveforms` finds the edges of
volts (two passes: `waveform_survey`, `crossings`), `logic_levels` those of levels and of lists of changes; `vcd` reads
value changes. All give a `recording.Recording`; `timeline` makes stimuli and responses of it, `preview` and `doubts`
say what a person should look at, `accept` writes the run directory. `power_log` is apart: a meter's log, joined to
finished runs.

A further kind of table is a function that gives a `SampleFile`, a row in `binary_files.open_binary`, and a writer in
`tests/unit/host/exchange/imports/dialects.py`, which tests it against a known recording.
"""
