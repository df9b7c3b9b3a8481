"""Runs as one archive that others can check: collected, redacted, packed; unpacked safely and computed again."""
