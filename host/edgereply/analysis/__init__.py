"""Pure functions on arrays of integer nanoseconds: no files, no boards, no printing."""
