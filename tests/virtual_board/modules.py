"""The kernel modules that Debian does not build: the simulated chip, from the kernel's own sources, and our bench."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from tests.virtual_board import cache
from tests.virtual_board.errors import BuildError
from tests.virtual_board.platforms import Platform
from tests.virtual_board.steps import run, say

SOURCES = cache.GUEST / "module"
MODULES = ("irq_sim.ko", "gpio-sim.ko", "edgereply-bench.ko")


def key(kernel_key: str) -> str:
    """Names the product of `build` after all of its inputs."""
    return cache.key([kernel_key], [*SOURCES.iterdir(), Path(__file__)])


def build(kernel: Path, platform: Platform, into: Path) -> None:
    """Makes the modules' .ko files in an empty directory.

    Args:
        kernel: finished product of the kernel step, with the headers and with irq_sim.c, gpio-sim.c and gpiolib.h as
            the kernel source package has them.
        platform: for which processor.
        into: where to write.
    """
    drivers = kernel / "drivers"
    say("building the modules")
    work = into / "work"
    shutil.copytree(SOURCES, work)
    shutil.copy(drivers / "gpiolib.h", work)
    for name, edit in (("irq_sim.c", _edit_irq_sim), ("gpio-sim.c", _edit_gpio_sim)):
        (work / name).write_text(edit((drivers / name).read_text(encoding="utf-8")), encoding="utf-8")
    if platform.foreign:
        # modpost is this computer's and takes device tables for 64-bit ones; no device tree here names the chip
        text = (work / "gpio-sim.c").read_text(encoding="utf-8")
        (work / "gpio-sim.c").write_text(_swap(text, r"MODULE_DEVICE_TABLE\(of, \w+\);\n", "", 1), encoding="utf-8")
    make = ["make", "-C", str(kernel / "headers"), f"M={work}", "modules"]
    if platform.foreign:
        make += [f"ARCH={platform.kernel_arch}", f"CROSS_COMPILE={platform.cross}"]
    run("module build", make, timeout_s=300)
    for name in MODULES:
        run("stripping", [f"{platform.cross}strip", "--strip-debug", str(work / name)], timeout_s=30)
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
