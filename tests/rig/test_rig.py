"""The rig itself."""

from __future__ import annotations

import pytest

from tests.conformance.rigs import RigSuite
from tests.rig.any_rig import RigError
from tests.rig.firmware import Atmega328p
from tests.rig.rig import Rig

pytestmark = pytest.mark.rig


class TestAtmega328p(Atmega328p, RigSuite):
    pass


def test_a_broken_firmware_file_is_said(tmp_path_factory: pytest.TempPathFactory) -> None:
    broken = tmp_path_factory.mktemp("firmware") / "broken.elf"
    broken.write_bytes(b"no firmware")
    with pytest.raises(RigError, match="cannot load firmware"), Rig(source=broken):
        pass
