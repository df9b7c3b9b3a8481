"""The program's version, for `edgereply.__version__`, the package's metadata and every file that it writes."""

from typing import Final

__version__ = "0.1.0"
# What files and messages say they were made by.
TOOL: Final = f"edgereply {__version__}"
