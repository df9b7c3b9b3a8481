"""Commands that come before the first measurement: a bench file written by questions, and its schema."""
