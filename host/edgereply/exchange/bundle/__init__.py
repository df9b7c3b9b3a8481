"""Runs as one archive that others can check: collected, redacted, packed; unpacked safely and computed again.

A name inside an archive must match one pattern, so that no path, link or surprise has to be thought of one by one. A
summary is checked key by key: whole numbers exactly, means to nine digits; a key that is not known fails. A new file
of a run directory needs its name in `manifest.ALLOWED`, or it stays out. A kind of name to redact is a row in
`redact._BY_KEY` (known by its key) or `redact._PATTERNS` (known by its look); a key whose value is a word of ours
goes into `_OURS`.
"""
