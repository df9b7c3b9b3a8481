"""What errors say and which exit code they have."""

import pytest

from edgereply import errors


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        (errors.SettingError, 2), (errors.DataError, 2), (errors.LinkError, 3), (errors.BoardError, 3),
        (errors.SourceError, 3), (errors.HostError, 3),
    ],
)  # fmt: skip
def test_exit_codes(kind: type[errors.HostError], code: int) -> None:
    assert issubclass(kind, errors.HostError)
    assert kind("x").exit_code == code


def test_text() -> None:
    assert str(errors.HostError("it broke")) == "it broke"
    assert str(errors.HostError("it broke", "port")) == "port: it broke"
    assert str(errors.HostError("it broke", "port", "mend it")) == "port: it broke; mend it"
