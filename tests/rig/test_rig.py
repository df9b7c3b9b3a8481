"""The rig itself: packages, a port nobody reads, a rig that ends."""

from __future__ import annotations

import time

import pytest

from tests.rig import packages
from tests.rig.checks import check_stamps
from tests.rig.client import STIMULUS, Client, values
from tests.rig.rig import Responder, Rig

pytestmark = pytest.mark.rig


def test_missing_packages_are_asked_for_with_the_exact_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packages, "COMMANDS", ("no-such-compiler",))
    monkeypatch.setattr(packages, "HEADERS", ())
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    with pytest.raises(packages.RigError, match=r"no-such-compiler; as root on Debian: apt-get update && apt-get inst"):
        packages.ensure()


def test_a_port_that_is_not_read_makes_simulated_time_wait() -> None:
    """Over 30 kB come from this run, and the pseudo-terminal holds far less; nothing may be lost meanwhile."""
    with Rig(responder=Responder(delay_min=500, delay_max=5_000, width=1_000)) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:PER 1 MS", "PULS:ARR:FLO 0.5 MS", "PULS:COUN 2000")
        client.send("READ?")
        before = -1
        while (now := rig.truth().now) != before:
            before = now
            time.sleep(0.3)
        records = [record for block in client.blocks() for record in block]
        check_stamps(records, rig.truth())
        assert len(values(records, STIMULUS)) == 2000
        assert rig.truth().now > before


def test_a_broken_firmware_file_is_said(tmp_path_factory: pytest.TempPathFactory) -> None:
    broken = tmp_path_factory.mktemp("firmware") / "broken.elf"
    broken.write_bytes(b"no firmware")
    with pytest.raises(packages.RigError, match="cannot load firmware"), Rig(source=broken):
        pass


def test_responder_settings_change_while_it_runs() -> None:
    with Rig() as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:COUN 5")
        client.read()
        assert rig.truth().cycles("response", 1) == []
        rig.respond(Responder(delay_min=900, delay_max=900, width=1_000))
        client.read()
        truth = rig.truth()
        starts = truth.cycles("stimulus", 1)[5:]
        assert [rise - start for rise, start in zip(truth.cycles("response", 1), starts, strict=True)] == [900] * 5
