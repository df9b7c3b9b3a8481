"""The kernel modules that Debian does not build: the simulated chip, from the kernel's own sources, and our bench."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from tests.virtual_board import cache
from tests.virtual_board.errors import BuildError
from tests.virtual_board.packages import KernelPackages
from tests.virtual_board.steps import run, say

SOURCES = cache.GUEST / "module"
MODULES = ("irq_sim.ko", "gpio-sim.ko", "edgereply-bench.ko")


def key(kernel_key: str) -> str:
    """Names the product of `build` after all of its inputs."""
    return cache.key([kernel_key], [*SOURCES.iterdir(), Path(__file__)])


def build(kernel: KernelPackages, drivers: Path, into: Path) -> None:
    """Makes the modules' .ko files in an empty directory.

    Args:
        kernel: packages whose headers to build against.
        drivers: directory with irq_sim.c, gpio-sim.c and gpiolib.h as the kernel source package has them.
        into: where to write.
    """
    say("building the modules")
    work = into / "work"
    shutil.copytree(SOURCES, work)
    shutil.copy(drivers / "gpiolib.h", work)
    for name, edit in (("irq_sim.c", _edit_irq_sim), ("gpio-sim.c", _edit_gpio_sim)):
        (work / name).write_text(edit((drivers / name).read_text(encoding="utf-8")), encoding="utf-8")
    make = ["make", "-C", f"/usr/src/linux-headers-{kernel.release}", f"M={work}", "modules"]
    run("module build", make, timeout_s=300)
    for name in MODULES:
        run("stripping", ["strip", "--strip-debug", str(work / name)], timeout_s=30)
        shutil.copy(work / name, into)
    shutil.rmtree(work)


def _swap(text: str, pattern: str, by: str, times: int) -> str:
    changed, count = re.subn(pattern, by, text)
    if count != times:
        raise BuildError(
            f"the kernel source has {pattern!r} {count} times, {times} expected: this package builds against 6.1, "
            f"look at what changed in the driver and adapt {__file__}"
        )
    return changed


def _edit_irq_sim(text: str) -> str:
    # handle_simple_irq is not exported to modules for a bare descriptor; this is, and ends up in the same place
    text = _swap(text, r"handle_simple_irq\(irq_to_desc\(irqnum\)\)", "generic_handle_irq(irqnum)", 1)
    return "#include <linux/module.h>\n" + text + '\nMODULE_LICENSE("GPL");\n'


def _edit_gpio_sim(text: str) -> str:
    text = _swap(text, r"(struct irq_domain \*irq_sim;\n\t)struct mutex lock;", r"\1struct sim_lock lock;", 1)
    text = _swap(text, r"mutex_lock\(&chip->lock\)", "sim_lock(&chip->lock)", 11)
    text = _swap(text, r"mutex_unlock\(&chip->lock\)", "sim_unlock(&chip->lock)", 11)
    text = _swap(text, r"mutex_init\(&chip->lock\)", "sim_lock_init(&chip->lock)", 1)
    text = _swap(text, r"\tstruct mutex \*lock = data;\n\n\tmutex_destroy\(lock\);\n", "", 1)
    text = _swap(text, r'#include "gpiolib.h"\n', '#include "gpiolib.h"\n#include "sim_lock.h"\n', 1)
    return text + '\n#include "sim_pull.c"\n'
