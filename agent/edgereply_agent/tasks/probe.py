"""Task `probe`: set outputs and read levels, one question at a time."""

from __future__ import annotations

from edgereply_agent.errors import SettingError, lost_line
from edgereply_agent.routes.base import InputLine, OutputLine
from edgereply_agent.settings import Common, Reader, read_line, read_realtime
from edgereply_protocol import ROUTES, Json

from .base import Task


class Probe(Task):
    """Lines by name, each an input or an output. Outputs start low and end low."""

    name = "probe"

    def __init__(self, settings: Json, private_fds: tuple[int, ...]) -> None:
        super().__init__(private_fds)
        reader = Reader(settings, "settings")
        lines = reader.inner("lines")
        if not lines.values:
            raise SettingError("there is no line to probe", lines.where, "name at least one")
        specs = {name: read_line(lines, name, need_direction=True) for name in lines.values}
        dead_man_s = reader.integer("dead_man_s", 1, 86400, 30)
        common = Common(
            reader.choice("route", tuple(ROUTES)), specs, "stream", 1, 16, read_realtime(reader), dead_man_s
        )
        self._lines: dict[str, InputLine | OutputLine] = {}
        try:
            route = self._common(common)
            for name, spec in specs.items():
                if spec.direction == "output":
                    self._lines[name] = self._held.output(route, spec)
                else:
                    self._lines[name] = self._held.input(route, spec, "none", 16)
            self._guard(common)
        except BaseException:
            self.close()
            raise

    def probe(self, levels: dict[str, int], read: list[str]) -> dict[str, int]:
        """See `Task.probe`."""
        unknown = sorted({*levels, *read} - set(self._lines))
        if unknown:
            raise SettingError(f"unknown lines {', '.join(unknown)}", "Probe", f"there are {', '.join(self._lines)}")
        for name, level in levels.items():
            line = self._lines[name]
            if not isinstance(line, OutputLine):
                raise SettingError(f"{name} is an input and cannot be set", "Probe", "configure it as an output")
            if level not in (0, 1):
                raise SettingError(f"a level is 0 or 1, not {level}", f"Probe.levels.{name}")
            try:
                line.high() if level else line.low()
            except OSError as error:
                raise lost_line(error, str(line.spec)) from error
        return {name: self._lines[name].level() for name in read}
