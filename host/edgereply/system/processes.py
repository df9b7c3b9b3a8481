"""How processes are started, on systems that have different words for it."""

from __future__ import annotations

import subprocess
import sys
from typing import Any


def apart() -> dict[str, Any]:
    """Options of `subprocess.Popen` for a child that a Ctrl-C typed at our terminal does not reach."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}
