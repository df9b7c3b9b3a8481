"""The RP2040 firmware in an emulated chip: `with Rp2040Rig(...) as rig`, then speak to `rig.port`."""
