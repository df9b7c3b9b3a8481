"""On the board, which is a laptop here: the shipped image onto the boot drive that is mounted."""

import sys
import time

from edgereply.errors import SourceError
from edgereply.sources.flashing import boot_drive, firmware


def progress(_what: str, _done: int, _total: int) -> None:
    """A board takes its time over each piece; this drive would be done before anybody could pull it out."""
    time.sleep(0.3)


(place,) = boot_drive.mounted()
drive = boot_drive.opened(place)
print(f"found {drive.path} on {drive.device}, {drive.model}", flush=True)
try:
    boot_drive.copy(drive, firmware.shipped("rp2040"), progress, gone_s=4.0)
except SourceError as error:
    sys.exit(f"{error.message}; {error.remedy}")
print("done")
