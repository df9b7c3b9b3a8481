"""Agent, protocol and host under every Python they are for and this computer has: `python -m tests.versions`."""
