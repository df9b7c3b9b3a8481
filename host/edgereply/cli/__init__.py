"""The command line: parses, calls, exits. Nothing heavy is imported before a command runs."""
