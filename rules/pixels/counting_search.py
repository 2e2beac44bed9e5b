"""How a count searches: calibrate, find the end, prove it, look inside.

1. Nothing lit: base, noise, the sensor's step and refresh.
2. Light 1, 2, 4 … pixels from the start until the current is plain; learn how fast the sensor follows.
   A block counts as full once light behind it still adds current: then its current gives the step.
3. Light a block further along and halve: full, empty or partly answering. A partly answering block
   holds the end; its share gives the place to a pixel or so.
4. Prove: everything just behind the end adds nothing; the last pixel alone adds one step. Both are
   sequential tests on lit/unlit toggles in the order ABBA, which cancels drift. A failed proof moves the
   end and is repeated, so a rough step 3 costs readings, not correctness.
5. A comb over the rest finds pixels behind a dark stretch. Blocks over the string find dead pixels.
"""

import math
from collections.abc import Callable, Generator
from statistics import fmean, median

from rules.pixels.counting_bench import Bench, Looking, Refused
from rules.pixels.counting_sensor import Sensor
from rules.pixels.counting_types import Ask, Cause, Count, CountSettings, Refusal, Search, Values
from rules.pixels.sequential import RatioTest

_DARK_READINGS = 14
_DARK_READINGS_MAX = 150
_FOLLOW_READINGS_MAX = 80
_LATE_READINGS = 40
_LATE_MEAN = 6
_UNKNOWN_REFRESH_SETTLE_S = 1.0
_BLOCK = 32
_BLOCK_MAX = 64
_PLAIN = 8.0
"""A response above this many times the noise of a reading is plain at a glance."""
_FAINT = 6.0
_FAINT_TOGGLES = 20
_MOVES_MAX = 24
_SUSPECT = 0.4
"""A block that seems to miss this many pixels is looked at again."""
_DEAD_ERROR = 1e-3
_STEP_ERROR = 0.12
"""Standard error allowed for the step of one pixel, as a share of it."""


def search(sensor: Sensor, settings: CountSettings, used: Callable[[], int]) -> Search:
    """The search as a generator of `Ask`; it is sent the values and returns the result."""
    return _Search(sensor, settings, used).run()


class _Search(Bench):
    def run(self) -> Search:
        try:
            return (yield from self._count())
        except Refused as refused:
            return Refusal(refused.cause, refused.reason, refused.needed, self.used())

    def _count(self) -> Search:
        dark_a = yield from self._dark()
        block, full_a, whole_a = yield from self._calibrate()
        self.stage = "search"
        if whole_a - full_a > max(0.25 * full_a, 5.0 * self.sensor.error_of_mean_a(2)):
            end = yield from self._search_long(block, full_a)
        else:
            end = yield from self._search_short(block, whole_a)
        self._affordable()
        end = yield from self._prove(end)
        end = yield from self._beyond(end)
        dead = yield from self._inside(end)
        zero_a = self.settings.zero_a
        if zero_a is None:
            self.notes.append("the dark current includes the sensor's zero error")
        if end == self.capacity:
            self.notes.append("every pixel that can be addressed answers: the string may be longer")
        dark_a -= zero_a or 0.0
        return Count(
            pixels=end,
            confidence=1.0 - self.spent_error,
            pixel_a=self.pixel_a,
            dark_a=dark_a,
            dark_per_pixel_a=dark_a / end,
            dead_pixels=dead,
            noise_a=self.sensor.spread_a,
            sensor_step_a=self.sensor.step_a,
            refresh_s=self.sensor.refresh_s,
            readings=self.used(),
            notes=tuple(self.notes),
        )

    def _dark(self) -> Looking:
        values: Values = []
        known = False
        while not known and len(values) < _DARK_READINGS_MAX:
            values += yield Ask((), _DARK_READINGS, self.stage, raw=True)
            values = [(at, value) for at, value in values if at >= self.settings.settle_s]
            known = self.sensor.find_refresh(values)
            if len({value for _, value in values}) == 1 and len(values) > 2 * _DARK_READINGS:
                break
        if not known:
            self.sensor.settle_s = max(self.sensor.settle_s, _UNKNOWN_REFRESH_SETTLE_S)
        own = self.sensor.distinct(values)
        self.sensor.note(own)
        self.base_a = fmean(own)
        if self.base_a >= self.limit_a:
            self.pixel_a = self.limit_a
            self.room(1)
        return self.base_a

    def _calibrate(self) -> Generator[Ask, Values, tuple[int, float, float]]:
        """Grow a block from the start. Returns its size, its current [A], and that of it and as much more."""
        self.stage = "calibrate"
        width, followed = 1, False
        current_a = yield from self.response(range(1), 3)
        while True:
            noise_a = self.sensor.noise_a
            plain = current_a > _PLAIN * noise_a
            if plain and not followed:
                followed = True
                yield from self._follow(width, current_a)
                current_a = yield from self.response(range(width), 3)
                continue
            fits = self.base_a + 2.0 * (current_a + 3.0 * noise_a) * 1.05 <= self.limit_a
            if not followed:
                fits = fits and self.base_a + 2 * width * self.settings.pixel_max_a <= self.limit_a
            enough = width >= _BLOCK_MAX or (width >= _BLOCK and current_a > 20.0 * noise_a)
            if width >= self.capacity or not fits or enough:
                if followed:
                    break
                followed = True
                late_a = yield from self._late(width)
                if late_a > _PLAIN * self.sensor.error_of_mean_a(_LATE_MEAN):
                    yield from self._follow(width, late_a)
                    current_a = yield from self.response(range(width), 3)
                else:
                    current_a = yield from self._faint(width)
                continue
            width = min(2 * width, self.capacity)
            current_a = yield from self.response(range(width), 3)
        # The far half of the block stands for "as much more" where the limit allows no more.
        if not fits and width > 1:
            near_a = yield from self.response(range(width // 2), 3)
            whole_a = current_a
            return width // 2, near_a, whole_a
        if width >= self.capacity or not fits:
            return width, current_a, current_a
        more = range(width, min(2 * width, self.capacity))
        return width, current_a, current_a + (yield from self.response(more, 3))

    def _follow(self, width: int, current_a: float) -> Generator[Ask, Values, None]:
        """Learn how long the sensor takes to follow; the block draws at least `current_a` [A].

        Only leaving and reaching the base is looked at, so a reading that still lags behind a growing
        block does not mislead.
        """
        latest_s = 0.0
        near_a = max(0.1 * current_a, min(3.0 * self.sensor.noise_a, 0.4 * current_a))
        for lit in ((), (range(width),)):
            values: Values = []
            there: list[bool] = []
            while len(values) < _FOLLOW_READINGS_MAX and there[-2:] != [True, True]:
                values += yield Ask(lit, 1, self.stage, raw=True)
                above_a = values[-1][1] - self.base_a
                there.append(above_a > near_a if lit else above_a < near_a)
            latest_s = max(latest_s, values[-2][0])
        known_s = 2.0 * (self.sensor.refresh_s or 0.0)
        self.sensor.settle_s = max(
            self.settings.settle_s, known_s, 0.0 if latest_s < 0.15 else latest_s * 1.3
        )

    def _late(self, width: int) -> Looking:
        """Current [A] that the first `width` pixels add after a long wait: a sensor may follow late."""
        values: Values = yield Ask((range(width),), _LATE_READINGS, self.stage, raw=True)
        return fmean(value for _, value in values[-_LATE_MEAN:]) - self.base_a

    def _faint(self, width: int) -> Looking:
        """The block's current [A] where it is not plain at a glance: toggle until it is, or refuse."""
        lit = range(width)
        total, least_a = 0.0, 0.0
        for count in range(1, _FAINT_TOGGLES + 1):
            total += (yield from self.toggle(lit, 3))[0]
            least_a = _FAINT * math.sqrt(2.0) * self.sensor.error_of_mean_a(6 * count)
            if total / count > least_a:
                return total / count
        raise Refused(
            Cause.NO_RESPONSE,
            f"no pixel answers: lighting the first {width} adds less than {least_a * 1000:.1f} mA. "
            "Is the universe right, is the port powered, is the first pixel alive?",
        )

    def _search_long(self, block: int, full_a: float) -> Generator[Ask, Values, int]:
        """The string goes on behind the first `block` pixels: halve, block by block. Returns the end."""
        self.pixel_a = full_a / block
        quarter = self.pixel_a / 4.0
        wanted = math.ceil(2.0 * (self.sensor.noise_a / quarter) ** 2)
        readings = max(3, min(wanted, 24))
        yield from self.rebase(readings)
        self.pixel_a = (yield from self.response(range(block), readings)) / block
        yield from self._settle_step(block, readings)
        block = self.room(block)
        low, high = block, self.capacity
        quick = max(2, math.ceil(2.0 * (8.0 * self.sensor.noise_a / (block * self.pixel_a)) ** 2))
        for turn in range(40):
            if high - low <= max(2, block // 2):
                break
            start = max(0, min((low + high - block) // 2, self.capacity - block))
            if turn % 4 == 3:
                yield from self.rebase(3)
            added_a = yield from self.response(range(start, start + block), quick)
            share = added_a / (block * self.pixel_a)
            if share > 0.85:
                low = max(low + 1, start + (3 * block) // 4)
            elif share < 0.15:
                high = min(high - 1, start + block // 4)
            else:
                low = high = start + round(share * block)
        middle = (low + high) // 2
        start = max(0, min(middle - block // 2, self.capacity - block))
        yield from self.rebase(readings)
        added_a = yield from self.response(range(start, min(start + block, self.capacity)), readings)
        return max(1, min(start + round(added_a / self.pixel_a), self.capacity))

    def _search_short(self, block: int, whole_a: float) -> Generator[Ask, Values, int]:
        """The string ends within twice the first block: its share of the whole tells. Returns the end."""
        whole = range(min(2 * block, self.capacity))
        added = yield from self.measured(whole, whole_a / 16.0)
        width = 1 << max(0, (block - 1).bit_length())
        while width >= 1:
            if width < len(whole):
                near_a = yield from self.response(range(width), 3)
                margin_a = 4.0 * math.sqrt(2.0) * self.sensor.error_of_mean_a(3)
                if near_a > margin_a and near_a + margin_a < added and near_a < 0.8 * added:
                    return (yield from self._end_by_share(width, near_a, added))
            width //= 2
        # Nothing behind the first pixel was seen to add: one pixel, unless the rest proves otherwise.
        behind = range(1, len(whole))
        if behind and (yield from self.present(behind, added / 2.0)):
            return (yield from self._end_by_share(1, added / 2.0, added))
        self.pixel_a = added
        return 1

    def _end_by_share(self, width: int, near_a: float, added: float) -> Generator[Ask, Values, int]:
        """The first `width` pixels are full: their current gives the step, and the whole the end."""
        self.pixel_a = (yield from self.measured(range(width), near_a / 10.0)) / width
        yield from self._settle_step(width, 12)
        return max(1, min(round(added / self.pixel_a), self.capacity))

    def _settle_step(self, block: int, readings: int) -> Generator[Ask, Values, None]:
        """Make sure that the step of one pixel is known well enough to decide by, or refuse."""
        wanted_a = _STEP_ERROR * max(self.pixel_a, 0.0) * block
        if 0.0 < self.averages(readings) <= wanted_a:
            return
        needed = None
        if self.sensor.dithered and self.pixel_a > 0.0:
            needed = self.used() + math.ceil(4.0 * (self.sensor.noise_a / wanted_a) ** 2)
        if needed is None or needed > self.settings.max_readings:
            self.too_small(needed)
        self.pixel_a = (yield from self.measured(range(block), wanted_a)) / block
        if self.pixel_a < wanted_a / block:
            self.too_small(needed)

    def _affordable(self) -> None:
        """Refuse before the proof where it would take more readings than are allowed."""
        needed = self.used() + math.ceil(8.0 * max(4.0, self.pairs_expected(self.pixel_a)))
        if needed > self.settings.max_readings:
            self.too_small(needed)

    def _prove(self, end: int) -> Generator[Ask, Values, int]:
        """Move `end` until the pixel before it answers and nothing just behind it does."""
        self.stage = "prove"
        misses = 0
        for _ in range(_MOVES_MAX):
            self.spent_error = 0.0
            if end < self.capacity:
                behind = range(end, min(end + self.room(_BLOCK), self.capacity))
                if (yield from self.present(behind, self.pixel_a, dither=self.dither(end, len(behind)))):
                    added_a = (yield from self.toggle(behind, 2))[0]
                    end = min(end + max(1, min(round(added_a / self.pixel_a), len(behind))), self.capacity)
                    misses = 0
                    continue
            last = range(end - 1, end)
            if (yield from self.present(last, self.pixel_a, dither=self.dither(end - 1, 1))):
                self.spent_error = 2.0 * self.settings.error
                return end
            misses += 1
            end = (yield from self._step_back(end)) if misses > 1 else end - 1
            if end < 1:
                break
        raise Refused(
            Cause.UNCLEAR_END,
            "the end of the string does not hold still: pixels answer and do not answer in turn. A loose "
            "connection, or a second feed that carries part of the current",
        )

    def _step_back(self, end: int) -> Generator[Ask, Values, int]:
        """Several dark pixels before `end`: look at a block to come back faster."""
        start = max(0, end - 1 - self.room(16))
        added_a = yield from self.measured(range(start, end - 1), self.pixel_a / 5.0)
        return max(start, min(start + round(added_a / self.pixel_a), end - 1))

    def _beyond(self, end: int) -> Generator[Ask, Values, int]:
        """Look behind a dark stretch with a comb; follow what answers there."""
        self.stage = "beyond"
        for _ in range(3):
            start = min(end + self.room(_BLOCK), self.capacity)
            if start >= self.capacity:
                return end
            room = self.room(_BLOCK_MAX)
            comb = range(start, self.capacity, max(1, -(-(self.capacity - start) // room)))
            if not (yield from self.present(comb, self.pixel_a, dither=self.dither(end, len(comb)))):
                return end
            self.notes.append(f"pixels behind a dark stretch after pixel {end} answer")
            low, high = start, self.capacity
            while high - low > _BLOCK // 2:
                middle = (low + high) // 2
                half = range(middle, high, max(1, -(-(high - middle) // room)))
                if (yield from self.present(half, self.pixel_a, dither=self.dither(end, len(half)))):
                    low = middle
                else:
                    high = middle
            added_a = yield from self.measured(range(low, high), self.pixel_a / 4.0)
            self.stage = "prove"
            end = yield from self._prove(max(low + 1, min(low + round(added_a / self.pixel_a), high)))
            self.stage = "beyond"
        return end

    def _inside(self, end: int) -> Generator[Ask, Values, int | None]:
        """Count the pixels inside the string that do not light, block by block; None if not affordable."""
        if not self.settings.find_dead:
            return None
        self.stage = "inside"
        # At least five blocks, so that the others tell what a full one draws.
        block = self.room(max(1, min(_BLOCK, -(-end // 5))))
        readings = max(2, math.ceil((self.sensor.noise_a / (0.24 * self.pixel_a)) ** 2))
        blocks = [range(start, min(start + block, end)) for start in range(0, end, block)]
        cost = len(blocks) * (readings + 1 + readings // 2)
        if readings > 40 or self.used() + 2 * cost > self.settings.max_readings:
            self.notes.append(
                "dead pixels inside the string were not looked for: it would take too many readings"
            )
            return None
        shares = []
        for n, lit in enumerate(blocks):
            if n % 4 == 0:
                yield from self.rebase(2 * readings)
            shares.append((yield from self.response(lit, readings)) / len(lit))
        dead = 0
        for n, lit in enumerate(blocks):
            # What a full block draws here: its neighbours tell, but for those that are dark themselves.
            around = [share for share in shares[max(0, n - 3) : n + 4] if share > 0.8 * self.pixel_a]
            step_a = median(around) if around else self.pixel_a
            missing = len(lit) * (1.0 - shares[n] / step_a)
            if missing > _SUSPECT:
                # Look again, closely: a dead pixel is told only on readings of its own block.
                dead += yield from self._missing(lit, step_a)
        self.pixel_a = median([share for share in shares if share > 0.8 * self.pixel_a] or [self.pixel_a])
        if dead:
            self.notes.append(f"about {dead} pixel{'s' if dead > 1 else ''} inside the string do not light")
        if len(shares) > 4 and max(shares[-2:]) < 0.8 * self.pixel_a:
            self.notes.append("the far end adds less current per pixel: dead pixels, or a second feed")
        return dead

    def _missing(self, lit: range, step_a: float) -> Generator[Ask, Values, int]:
        """How many pixels of the block `lit` draw nothing; 0 where that is not beyond doubt."""
        test = RatioTest(step_a, _DEAD_ERROR)
        expected = self.pairs_expected(step_a)
        half = max(1, min(8, math.ceil(expected / 8.0)))
        deficits: list[float] = []
        for _ in range(math.ceil(3.0 * expected / half) + 2):
            if test.decision is not None or self.used() > self.settings.max_readings - 8 * half:
                break
            added_a, error_a = yield from self.toggle(lit, half)
            deficits.append(len(lit) * step_a - added_a)
            test.add(deficits[-1], error_a)
        return max(1, round(fmean(deficits) / step_a)) if test.decision else 0
