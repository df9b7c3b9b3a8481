"""What is wrong with a VCD is said with the number of the line; no file, however hostile, ends otherwise."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edgereply.errors import DataError
from edgereply.exchange.imports import vcd_changes, vcd_header
from edgereply.exchange.imports.vcd import read_vcd
from tests.unit.host.exchange.imports.test_vcd import HEAD

LONG = "".join(f"#{n} {n % 2}!\n" for n in range(1000))


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (HEAD + "#0 0! 0#\n#10 1!\n#5 0!\n", 5, "time goes back from 10 to 5"),
        (HEAD + LONG + "#1001 1%\n", 1003, "declares no identifier '%'"),
        (HEAD + LONG + "\n\n  q!\n" + LONG, 1005, "'q!' is no change"),
        (HEAD + "#0 0!\n#1x 1!\n", 4, "'#1x' is no time"),
        (HEAD + "#0 0!\n#1.5 1!\n", 4, "'#1.5' is no time"),
        (HEAD + f"#0 0!\n#{'9' * 30} 1!\n", 4, "is no time"),
        (HEAD + "#0 b1 %\n", 3, "declares no identifier '%'"),
        (HEAD + "#0 0!\n$dumpports $end\n", 4, "'$dumpports' is no change"),
        (HEAD + "#0 0!\n$comment never ends\n", 0, "in the middle of a change or comment"),
        (HEAD + "#0 " + "1" * 100_000, 3, "longer than 64 KiB"),
        (HEAD, 0, "no change of any line"),
        ("$timescale 3 us $end $enddefinitions $end\n", 1, "not 1, 10 or 100"),
        ("$timescale 1 h $end $enddefinitions $end\n", 1, "Invalid $timescale unit"),
        ("$var wire 1 ! a $end $enddefinitions $end\n", 1, "no $timescale"),
        ("$timescale 1 ns $end\n$upscope $end $enddefinitions $end\n", 2, "without a $scope"),
        ("$timescale 1 ns $end\n\n$var wire one ! a $end $enddefinitions $end\n", 3, "decimal"),
        ("$timescale 1 ns $end $var real 64 ! a $end $enddefinitions $end\n", 0, "no variable of one bit"),
        ("$timescale 1 ns $end\n", 1, "no $enddefinitions"),
        (HEAD.replace("1 us", "100 s") + "#0 0!\n#99999999999999999 1!\n", 0, "lasts longer"),
    ],
)  # fmt: skip
def test_the_line_is_named(text: str, line: int, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(vcd_changes, "BLOCK_BYTES", 4000)
    path = tmp_path / "a.vcd"
    path.write_text(text)
    with pytest.raises(DataError) as caught:
        read_vcd([path])
    assert words in caught.value.message
    assert caught.value.where == (f"{path}:{line}" if line else str(path))
    assert caught.value.remedy


def test_what_could_grow_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.vcd"
    path.write_text(HEAD + LONG)
    monkeypatch.setattr(vcd_changes, "MOST_CHANGES", 100)
    with pytest.raises(DataError, match="more than 100 changes"):
        read_vcd([path])
    monkeypatch.setattr(vcd_header, "MOST_HEADER_BYTES", 50)
    with pytest.raises(DataError, match=r"no \$enddefinitions"):
        read_vcd([path])


def test_files_with_other_lines_are_refused(tmp_path: Path) -> None:
    paths = [tmp_path / "a.vcd", tmp_path / "b.vcd"]
    paths[0].write_text(HEAD + LONG)
    paths[1].write_text(HEAD.replace("eye", "ear") + LONG)
    with pytest.raises(DataError, match=r"top\.ear"):
        read_vcd(paths)


_TOKENS = st.sampled_from(
    ["$date", "$end", "$timescale", "1", "ns", "1ns", "$var", "wire", "!", "a", "$scope", "module", "$upscope", "x",
     "$enddefinitions", "#0", "#5", "#99999999999999999999", "0!", "1!", "x!", "b1", "bq", "r1.5", "$dumpoff",
     "$dumpon", "$comment", "\n", "9" * 5000, "#", "1", "\x00", "é", "[3:0]", "\\esc"]
)  # fmt: skip


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    head=st.booleans(),
    data=st.one_of(
        st.binary(max_size=200), st.lists(_TOKENS, max_size=40).map(lambda tokens: " ".join(tokens).encode())
    ),
)
def test_whatever_is_in_a_file_is_read_or_explained(head: bool, data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.vcd"
    path.write_bytes((HEAD.encode() if head else b"") + data)
    try:
        found = read_vcd([path], glitch_ns=5)
    except DataError as error:
        assert error.remedy  # noqa: PT017
        return
    for segment in found.segments:
        for trace in segment.traces.values():
            assert (trace.rising[1:] != trace.rising[:-1]).all()
            assert not trace.at_ns.size or 0 <= trace.at_ns.min() <= trace.at_ns.max() <= segment.length_ns + 1
