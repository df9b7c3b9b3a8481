"""Commands that come before the first measurement: a bench file written by questions, its schema, shell completion."""
