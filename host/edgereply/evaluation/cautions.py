"""What to keep in mind with the figures of a run: what was lost, how busy and hot the board was, what has no width."""

from collections.abc import Mapping

from edgereply.config.choices import software_wires
from edgereply.config.load import load_caution
from edgereply.evaluation.board_activity import busy_caution
from edgereply.evaluation.gaps import PAIRS
from edgereply.evaluation.lost_edges import lost_edges
from edgereply.storage.run_record import RunRecord
from edgereply.wording.numbers import duration, unmatched_words, unobserved_words


def cautions(record: RunRecord, evaluated: Mapping[str, int]) -> list[str]:
    """Cautions that belong to this run; the general ones are on every page.

    Args:
        record: of the run.
        evaluated: counts of its evaluation.
    """
    found = []
    counts = record.counts
    if counts.get("lost_edges"):
        found.append(f"{counts['lost_edges']} edges were lost in the board's event buffer, seen by their numbers.")
    if counts.get("unrecorded"):
        found.append(f"{counts['unrecorded']} answers were given but not recorded: the session did not keep up.")
    if counts.get("lost_records"):
        found.append(f"{counts['lost_records']} records were lost between source and host.")
    found += _edges(record)
    if caution := load_caution(record.in_effect.get("load")):
        found.append(caution)
    # On software wires the board is this computer, which always runs the source and this program as well.
    if not software_wires(record.requested.get("board", {}).get("route")) and (
        caution := busy_caution(record.activity)
    ):
        found.append(caution)
    if signs := record.context.get("throttled", {}).get("signs"):
        found.append(f"The board was slowed down or its supply sagged during the run: {'; '.join(signs)}.")
    if record.requested.get("import", {}).get("common_clock", True) is False:
        found.append(
            "The recording's segments share no clock and are set one after another: the times between them are not "
            "real, and periods or bursts over several of them mean nothing."
        )
    if counts.get("falls_lost") and record.source.kind in ("self", "board"):
        found.append(
            f"{counts['falls_lost']} of {counts['responses']} answers have no pulse width: both edges left one kernel "
            "stamp, and their reaction times may be too long by as much as the pulse lasts. Join a second spare line "
            "to the output and name it capture_fall_line: then each edge has its own."
        )
    elif counts.get("falls_lost") and record.evidence != "imported":
        found.append(
            f"{counts['falls_lost']} of {counts['responses']} answers have no pulse width: they were over before the "
            "source could stamp their fall. Widths are shown of longer answers only: let the board hold its answer for "
            "50 µs where the width matters."
        )
    return found + _left_out(evaluated, counts.get("stimuli", 0))


def _edges(record: RunRecord) -> list[str]:
    """How edges came, what keeps some from the board on purpose, and where others were lost."""
    found = []
    if (lost := lost_edges(record)) is not None and (sentence := lost.sentence()):
        found.append(sentence)
    if record.source.plan.get("pattern") == PAIRS:
        found.append(
            "The stimuli came in pairs, the two of many pairs closer than a board can be asked to tell apart: times, "
            "missed answers and the verdict are of such pairs, not of edges by themselves."
        )
    if debounce_us := _debounce_us(record):
        found.append(
            f"The board's input has a debounce of {duration(1000 * debounce_us)}: closer edges are filtered on purpose "
            "and are no fault of it, and stamps may come late by as much."
        )
    return found


def _debounce_us(record: RunRecord) -> int:
    found = ((record.in_effect.get("lines") or {}).get("input") or {}).get("debounce_us")
    return found if isinstance(found, int) else 0


def _left_out(evaluated: Mapping[str, int], stimuli: int) -> list[str]:
    """What is in none of the figures, or not in all of them."""
    found = []
    if without := evaluated.get("without_segments"):
        found.append(
            f"Of {without} answers the board kept no row: they are in the reaction times, but not in the figures of "
            "where the time goes."
        )
    if evaluated.get("ambiguous"):
        found.append(f"{unmatched_words(evaluated['ambiguous'], stimuli)}.")
    if evaluated.get("unobserved"):
        found.append(f"NOT in the times: {unobserved_words(evaluated['unobserved'])}.")
    return found
