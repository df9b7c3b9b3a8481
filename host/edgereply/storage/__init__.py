"""A run on disk: `run.json` and raw stamps in Parquet parts. Nothing derived ever replaces anything raw.

`stamps/part-NNNNN.parquet` is the source's clock, `board/` the board's, `observed/` what an agent saw that only
watched, `trace/` the events of its kernel beside late answers (a row an event, with the answer it stands beside);
`context.jsonl` has a reading of the board's counters each second. The clocks are never merged on disk: which
answer belongs to which stimulus is a derivation (`analysis/pairing`) that may be improved later, and a crash must not
depend on it. A row of `stamps/` is a stimulus with the first rise and fall before the next one, further edges have
rows without a stimulus: a layout, not a pairing.

A new version of the format gets an entry in `run_record.HISTORY`, an upgrade on reading (never on disk), and a golden
old directory in `tests/reference_data/runs`, which today's commands have to show. Within a format keys may be added;
unknown ones are kept. A newer format is refused before anything else of it is looked at (`formats`).
"""
