"""Archives made to do harm: each is refused, and nothing is written outside."""

import io
import stat
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from edgereply.errors import DataError
from edgereply.exchange.bundle.unpack import Limits, unpack

Maker = Callable[[zipfile.ZipFile], None]
SMALL = Limits(files=6, file_bytes=4000, total_bytes=6000, ratio=20, small_bytes=500, directory_bytes=4000)


def member(name: str, mode: int = stat.S_IFREG | 0o644, method: int = zipfile.ZIP_STORED) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.create_system, info.external_attr, info.compress_type = 3, mode << 16, method
    return info


def put(name: str, data: bytes = b"x", mode: int = stat.S_IFREG | 0o644, method: int = 0) -> Maker:
    return lambda archive: archive.writestr(member(name, mode, method), data)


def archive_of(path: Path, *makers: Maker) -> Path:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(member("manifest.json"), b"{}")
        for make in makers:
            make(archive)
    return path


def refused(tmp_path: Path, archive: Path, words: str, limits: Limits = SMALL) -> None:
    place = tmp_path / "deep" / "place"
    place.mkdir(parents=True)
    with pytest.raises(DataError, match=words) as caught:
        unpack(archive, place, limits)
    assert caught.value.where == str(archive)
    assert caught.value.remedy
    assert {path.name for path in tmp_path.iterdir()} == {archive.name, "deep"}
    assert [path.name for path in (tmp_path / "deep").iterdir()] == ["place"]


def test_a_harmless_one_is_unpacked(tmp_path: Path) -> None:
    part = "runs/r01-block/stamps/part-00000.parquet"
    archive = archive_of(tmp_path / "x.zip", put(part, b"stamps"), put("report.html", b"a" * 400, method=8))
    (tmp_path / "place").mkdir()
    assert unpack(archive, tmp_path / "place", SMALL) == ["manifest.json", "report.html", part]
    assert (tmp_path / "place" / part).read_bytes() == b"stamps"


@pytest.mark.parametrize(
    "name",
    [
        "../evil", "/etc/evil", "runs/../../evil", "runs/../run.json", "runs/./run.json", "runs//run.json",
        "C:\\evil", "runs\\a\\run.json", "runs/a/../b/run.json", "runs/.hidden/run.json", "evil.sh", "runs/a/",
        "runs/a/stamps/part-00000.parquet/run.json", "runs/a/stamps/part-0.parquet", "runs/a/run.json\n", "",
        "runs/" + "a" * 200 + "/run.json", "runs/\u202e/run.json", "RUNS/a/run.json",
    ],
)  # fmt: skip
def test_names_that_no_bundle_has(tmp_path: Path, name: str) -> None:
    refused(tmp_path, archive_of(tmp_path / "x.zip", put(name)), "a name that no bundle has")


def test_a_name_that_ends_early(tmp_path: Path) -> None:
    archive = archive_of(tmp_path / "x.zip", put("report.htmlZ"))
    archive.write_bytes(archive.read_bytes().replace(b"report.htmlZ", b"report.html\0"))
    refused(tmp_path, archive, "a name that no bundle has")


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFDIR, stat.S_IFIFO, stat.S_IFBLK, stat.S_IFCHR, stat.S_IFSOCK])
def test_links_and_devices(tmp_path: Path, kind: int) -> None:
    archive = archive_of(tmp_path / "x.zip", put("report.html", b"/etc/passwd", mode=kind | 0o777))
    refused(tmp_path, archive, "a link or a device")


def test_names_that_come_twice(tmp_path: Path) -> None:
    with pytest.warns(UserWarning, match="Duplicate name"):
        archive = archive_of(tmp_path / "x.zip", put("report.html"), put("report.html"))
    refused(tmp_path, archive, "a name comes twice")


def test_names_that_some_disks_take_for_the_same(tmp_path: Path) -> None:
    archive = archive_of(tmp_path / "x.zip", put("runs/a/run.json"), put("runs/A/run.json"))
    refused(tmp_path, archive, "a name comes twice")


def test_a_file_that_grows_beyond_measure(tmp_path: Path) -> None:
    archive = archive_of(tmp_path / "x.zip", put("report.html", b"\0" * 3000, method=8))
    refused(tmp_path, archive, "grows more than 20 times")


def test_a_file_too_large_and_too_much_in_all(tmp_path: Path) -> None:
    refused(tmp_path, archive_of(tmp_path / "x.zip", put("report.html", b"\0" * 4001)), "too large")


def test_too_much_in_all(tmp_path: Path) -> None:
    many = [put(f"runs/{name}/run.json", b"\0" * 3001) for name in "ab"]
    refused(tmp_path, archive_of(tmp_path / "x.zip", *many), "would become larger")


def test_too_many_files(tmp_path: Path) -> None:
    many = [put(f"runs/{number}/run.json") for number in range(6)]
    refused(tmp_path, archive_of(tmp_path / "x.zip", *many), "more than 6 files")


def test_a_list_of_files_larger_than_its_worth_is_not_read(tmp_path: Path) -> None:
    many = [put(f"runs/{number}/run.json") for number in range(100)]
    refused(tmp_path, archive_of(tmp_path / "x.zip", *many), "list of files is too long")


@pytest.mark.parametrize(("told", "words"), [(10, "the archive is damaged"), (460, "shorter than it says")])
def test_a_file_of_another_size_than_it_says(tmp_path: Path, told: int, words: str) -> None:
    archive = archive_of(tmp_path / "x.zip", put("report.html", b"\0" * 450 + b"end", method=8))
    data = archive.read_bytes()
    size = struct.pack("<L", 453)
    assert data.count(size) == 2
    archive.write_bytes(data.replace(size, struct.pack("<L", told)))
    refused(tmp_path, archive, words)


def test_files_that_overlap(tmp_path: Path) -> None:
    archive = archive_of(tmp_path / "x.zip", put("runs/a/run.json", b"aaaa"), put("runs/b/run.json", b"aaaa"))
    with zipfile.ZipFile(archive) as opened:
        first, second = (opened.getinfo(f"runs/{name}/run.json").header_offset for name in "ab")
    data = archive.read_bytes()
    directory = data.index(b"PK\1\2")
    offsets = data[directory:].replace(struct.pack("<L", second), struct.pack("<L", first))
    archive.write_bytes(data[:directory] + offsets)
    refused(tmp_path, archive, ": files in it overlap")


def test_methods_and_ciphers_that_no_bundle_has(tmp_path: Path) -> None:
    refused(tmp_path, archive_of(tmp_path / "x.zip", put("report.html", b"a" * 40, method=12)), "packed in a way")


def test_an_encrypted_file(tmp_path: Path) -> None:
    archive = archive_of(tmp_path / "x.zip", put("report.html"))
    data = bytearray(archive.read_bytes())
    data[data.rindex(b"PK\1\2") + 8] |= 1
    archive.write_bytes(bytes(data))
    refused(tmp_path, archive, "packed in a way")


def test_a_changed_byte(tmp_path: Path) -> None:
    archive = archive_of(tmp_path / "x.zip", put("report.html", b"stamps"))
    archive.write_bytes(archive.read_bytes().replace(b"stamps", b"stampz"))
    refused(tmp_path, archive, "damaged")


@pytest.mark.parametrize("data", [b"", b"PK", b"not an archive at all, but long enough", b"PK\5\6" + b"\0" * 18])
def test_what_is_no_archive(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "x.zip").write_bytes(data)
    refused(tmp_path, tmp_path / "x.zip", "not a bundle")


def test_an_archive_beyond_4_gib_or_with_a_comment(tmp_path: Path) -> None:
    archive = archive_of(tmp_path / "x.zip")
    data = archive.read_bytes()
    archive.write_bytes(data[:-22] + b"PK\6\7" + b"\0" * 16 + data[-22:])
    refused(tmp_path, archive, "more than 4 GiB")


def test_a_comment_hides_nothing(tmp_path: Path) -> None:
    archive = archive_of(tmp_path / "x.zip")
    with zipfile.ZipFile(archive, "a") as opened:
        opened.comment = b"hello"
    refused(tmp_path, archive, "does not end like")


def test_an_archive_cut_off_anywhere_is_refused(tmp_path: Path) -> None:
    whole = archive_of(tmp_path / "x.zip", put("report.html", b"abc" * 50, method=8)).read_bytes()
    place = tmp_path / "place"
    place.mkdir()
    for length in range(0, len(whole), 7):
        (tmp_path / "x.zip").write_bytes(whole[:length])
        with pytest.raises(DataError):
            unpack(tmp_path / "x.zip", place, SMALL)


def test_without_a_manifest_it_is_no_bundle(tmp_path: Path) -> None:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        put("report.html")(archive)
    (tmp_path / "x.zip").write_bytes(data.getvalue())
    refused(tmp_path, tmp_path / "x.zip", "no manifest.json")
