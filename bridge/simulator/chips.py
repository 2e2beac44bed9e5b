"""What one pixel draws: quiescent current, channel current, and how both follow the voltage.

Sources beside the values: [1] WS2811 datasheet (18.5 mA constant current, R1 = 2.7 kOhm from 12 V);
[2] a pixel-chip catalogue that lists static currents; [3] UCS1903 datasheet; [4] common practice: "100
pixels off draw 225-227 mA". Voltages at which channels fall off are the sum of typical LED forward
voltages (red 2.0 V, green and blue 3.0 V, from memory) plus about 0.6 V for the driver's output.
"""

from dataclasses import dataclass
from types import MappingProxyType


def ramp(volts_v: float, off_v: float, full_v: float, *, limited: bool) -> float:
    """Share of the nominal current at `volts_v`: 0 up to `off_v`, 1 at `full_v`, straight between.

    A constant-current part is `limited`: above `full_v` it stays at 1. A part behind a resistor is not:
    I = (V - Vf) / R goes on rising with the voltage.
    """
    if volts_v <= off_v:
        return 0.0
    share = (volts_v - off_v) / (full_v - off_v)
    return 1.0 if limited and share > 1.0 else share


@dataclass(frozen=True, slots=True)
class Chip:
    """One pixel type at its nominal supply.

    volts_v: nominal supply [V]; quiescent_a: drawn with nothing lit [A]; channel_a: one channel full on
    [A]; channels: channels per pixel; channel_off_v, channel_full_v: pixel voltage below which a channel
    is dark, and from which it has its nominal current [V]; constant_current: regulated above
    `channel_full_v`, else behind a resistor; quiescent_off_v, quiescent_full_v, quiescent_regulated: the
    same for the quiescent current.
    """

    name: str
    volts_v: float
    quiescent_a: float
    channel_a: float
    channel_off_v: float
    channel_full_v: float
    channels: int = 3
    constant_current: bool = True
    quiescent_off_v: float = 0.0
    quiescent_full_v: float = 3.0
    quiescent_regulated: bool = True

    def quiescent_at(self, volts_v: float) -> float:
        """Quiescent current [A] of one pixel at `volts_v`."""
        return self.quiescent_a * ramp(
            volts_v, self.quiescent_off_v, self.quiescent_full_v, limited=self.quiescent_regulated
        )

    def channel_at(self, volts_v: float) -> float:
        """Current [A] of one channel full on at `volts_v`."""
        return self.channel_a * ramp(
            volts_v, self.channel_off_v, self.channel_full_v, limited=self.constant_current
        )


def _five_volt(name: str, quiescent_a: float, channel_a: float, channels: int = 3) -> Chip:
    return Chip(name, 5.0, quiescent_a, channel_a, channel_off_v=2.4, channel_full_v=3.6, channels=channels)


CHIPS = MappingProxyType(
    {
        chip.name: chip
        for chip in (
            # Three LEDs in series per channel; the chip's own 5.9 V hangs behind R1 = 2.7 kOhm, so the
            # quiescent current is (V - 5.9 V) / 2.7 kOhm: 2.26 mA at 12 V [1][4].
            Chip(
                "ws2811-12v",
                12.0,
                2.26e-3,
                18.5e-3,
                channel_off_v=7.5,
                channel_full_v=9.6,
                quiescent_off_v=5.9,
                quiescent_full_v=12.0,
                quiescent_regulated=False,
            ),
            _five_volt("ws2811-5v", 0.7e-3, 18.5e-3),  # [1][2]
            _five_volt("ws2812b", 0.7e-3, 18.5e-3),  # [2]
            _five_volt("ws2813", 0.7e-3, 18.0e-3),  # [2]
            Chip("ws2815", 12.0, 2.1e-3, 10.0e-3, channel_off_v=7.5, channel_full_v=9.0),  # [2]: 9-13 V
            _five_volt("sk6812", 1.0e-3, 20.0e-3),  # [2]
            _five_volt("sk6812-rgbw", 1.0e-3, 20.0e-3, channels=4),  # [2], fourth channel by its name
            _five_volt("apa104", 1.0e-3, 20.0e-3),  # [2]
            # The datasheet [3] gives no static current: 0, so that N x 3 x 17 mA can be checked exactly.
            Chip("ucs1903n-12v", 12.0, 0.0, 17.0e-3, channel_off_v=7.5, channel_full_v=9.6),
            # Three LEDs and a resistor per channel, as in cheap 12 V modules: common practice, no source.
            Chip(
                "resistor-12v",
                12.0,
                1.0e-3,
                20.0e-3,
                channel_off_v=9.0,
                channel_full_v=12.0,
                constant_current=False,
            ),
        )
    }
)
"""Pixel types by name."""
