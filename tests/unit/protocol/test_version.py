import pytest

from edgereply_protocol import HISTORY, NEWEST, OLDEST, RemoteError, VersionMismatch, negotiate, version


def test_every_version_spoken_has_its_history() -> None:
    assert 1 <= OLDEST <= NEWEST
    assert sorted(HISTORY) == list(range(1, NEWEST + 1))


@pytest.mark.parametrize(
    ("ours", "peers", "chosen"),
    [
        ((1, 1), (1, 1), 1),
        ((1, 1), (1, 9), 1),
        ((2, 4), (1, 2), 2),
        ((2, 4), (1, 3), 3),
        ((2, 4), (2, 4), 4),
        ((2, 4), (3, 3), 3),
        ((2, 4), (3, 9), 4),
        ((2, 4), (4, 9), 4),
        ((2, 4), (1, 2**63 - 1), 4),
    ],
)
def test_highest_shared_version(
    monkeypatch: pytest.MonkeyPatch, ours: tuple[int, int], peers: tuple[int, int], chosen: int
) -> None:
    for end, other in ((ours, peers), (peers, ours)):
        monkeypatch.setattr(version, "OLDEST", end[0])
        monkeypatch.setattr(version, "NEWEST", end[1])
        assert negotiate(*other) == chosen


@pytest.mark.parametrize(
    ("ours", "peers", "update"),
    [((2, 4), (1, 1), "the far end"), ((2, 4), (5, 9), "this end"), ((1, 1), (2, 2), "this end")],
)
def test_no_overlap_says_which_end_to_update(
    monkeypatch: pytest.MonkeyPatch, ours: tuple[int, int], peers: tuple[int, int], update: str
) -> None:
    monkeypatch.setattr(version, "OLDEST", ours[0])
    monkeypatch.setattr(version, "NEWEST", ours[1])
    with pytest.raises(
        VersionMismatch, match=f"{peers[0]} to {peers[1]}.*{ours[0]} to {ours[1]}: update {update}$"
    ) as raised:
        negotiate(*peers)
    assert raised.value.peer_is_older is (update == "the far end")


@pytest.mark.parametrize("peers", [(0, 0), (0, 1), (-5, 1), (2, 1), (1, 0), (2**63, -(2**63))])
def test_no_range_is_the_peers_fault(peers: tuple[int, int]) -> None:
    with pytest.raises(RemoteError, match="no range"):
        negotiate(*peers)
