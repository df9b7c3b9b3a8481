"""The virtual bench: a pulse source in software, spoken to like the real one."""
