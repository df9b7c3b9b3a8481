"""What the board can be asked to do, in one table: name → (module, class)."""

from __future__ import annotations

from importlib import import_module
from typing import Iterable

from edgereply_agent.errors import SettingError
from edgereply_agent.known import refuse_unknown
from edgereply_protocol import Json

from .base import Task

TASKS = {
    "respond": ("respond", "Respond"),
    "observe": ("observe", "Observe"),
    "stimulate": ("stimulate", "Stimulate"),
    "probe": ("probe", "Probe"),
}


def make(name: str, settings: Json, private_fds: Iterable[int]) -> Task:
    """Set up a task; its lines are requested, its processes wait.

    Raises:
        AgentError: it cannot be had; everything taken so far was given back.
    """
    if name not in TASKS:
        raise SettingError(f"unknown task {name!r}", "task", f"choose one of {', '.join(TASKS)}")
    refuse_unknown(settings)
    module, cls = TASKS[name]
    task: Task = getattr(import_module(f"{__package__}.{module}"), cls)(settings, tuple(private_fds))
    return task
