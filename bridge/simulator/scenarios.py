"""The invented site of the demo: Quarry Lane, three controllers that answer in three ways."""

from bridge.simulator.spec import (
    ControllerSpec,
    FuseSpec,
    PortSpec,
    Segment,
    SensorSpec,
    SiteSpec,
    StringSpec,
)

SENSOR = SensorSpec(gain_error=0.01, noise_a=0.002, step_a=0.008)


ELECTRONIC = FuseSpec(rating_a=4.0)
POLYMER = FuseSpec(kind="polymer", hold_a=3.0, trip_a=5.1, trip_s=1.0)
"""Littelfuse 16R300G: holds 3.0 A, trips at 5.1 A, within 1.0 s at 15 A."""


def _port(number: int, pixels: int, *, cable_m: float = 3.0, fuse: FuseSpec = ELECTRONIC) -> PortSpec:
    return PortSpec(number, StringSpec(pixels, cable_m=cable_m, brightness=0.3), fuse, SENSOR)


def demo_site() -> SiteSpec:
    """Quarry Lane: arches and a star on the gable, a hedge, a mast. No faults: the demo starts them."""
    return SiteSpec(
        "quarry-lane",
        (
            ControllerSpec(
                "gable",
                (_port(1, 100), _port(2, 100), _port(3, 50), _port(4, 100, cable_m=8.0)),
                shape="rows",
            ),
            ControllerSpec(
                "hedge",
                tuple(
                    _port(n, 100, cable_m=2.0 + n, fuse=POLYMER if n == 6 else ELECTRONIC)
                    for n in range(1, 9)
                ),
                shape="keyed",
            ),
            ControllerSpec(
                "mast",
                tuple(_port(n, 150, cable_m=6.0) for n in range(1, 5)),
                shape="banks",
                after_restart="last",
            ),
        ),
        show=(
            Segment(20.0, "chase", 0.8),
            Segment(4.0, "dark"),
            Segment(12.0, "breathe", 1.0, period_s=6.0),
            Segment(3.0, "steady", 1.0),
            Segment(6.0, "dark"),
        ),
    )
