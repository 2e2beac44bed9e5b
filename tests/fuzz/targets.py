"""All fuzz targets by name."""

import fuzz_controllers
import fuzz_files
import fuzz_network
from fuzz_target import Target

TARGETS: dict[str, Target] = {
    target.name: target for target in (*fuzz_files.TARGETS, *fuzz_controllers.TARGETS, *fuzz_network.TARGETS)
}
