"""The pulse source's firmware in a chip simulator: `with Rig(...) as rig`, then speak to `rig.port`."""
