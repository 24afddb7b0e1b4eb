"""Where lines and samples lie: straight strips over flat ground, level unless the plan wobbles.

The ground frame has its origin at the plan's position, `along` metres in the plan's heading and
`across` metres to the right of it. Sample 0 is at the left of the flight direction, samples
increase to the right. Odd strips are flown the other way. Local metres become longitude and
latitude by an azimuthal equidistant projection (WGS 84) about the origin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from pipeline.records import Array
from pipeline.synthetic.plan import FlightPlan, generator

#: Straight flight before and after a strip [s].
LEAD_S = 1.5

#: Pause of the track's ends before the first and after the last capture [s].
MARGIN_S = 5.0

TRACK_HZ = 20.0

#: Frequencies of the wobble [Hz]; the track's rate follows them to a fiftieth of a degree.
WOBBLE_HZ = (0.11, 0.29, 0.53)

#: Time over which the error of the positions wanders [s]; typical of single-frequency receivers,
#: from memory.
GNSS_WANDER_S = 10.0


@dataclass(frozen=True, eq=False)
class Attitude:
    """How the camera is turned from level and straight ahead, (time,) each [degree].

    Roll is positive with the right wing down, pitch with the nose up, yaw clockwise from above.
    """

    roll: Array
    pitch: Array
    yaw: Array


@dataclass(frozen=True, eq=False)
class Strip:
    """One strip's path and the times of its lines."""

    direction: int  # 1 along the plan's heading, -1 against it
    along_start_m: float
    across_m: float  # of the nadir
    time_s: Array  # (line,) [s since 1970], exact microseconds
    attitude: Attitude


@dataclass(frozen=True, eq=False)
class Timetable:
    """When everything was recorded [s since 1970]."""

    before_s: float  # first frame of the dark capture before the flight
    flat_s: float
    strips: tuple[Strip, ...]
    after_s: float
    end_s: float

    @property
    def line_time_s(self) -> Array:
        """(cube, line)."""
        return np.stack([strip.time_s for strip in self.strips])


def across_offset(plan: FlightPlan) -> Array:
    """Ground offset from nadir to the right of flight, (sample,) [m].

    Of a level camera: a flat detector behind a pinhole, so that samples are equally wide.
    """
    sample = np.arange(plan.samples) - (plan.samples - 1) / 2.0
    return np.asarray(sample * plan.sample_m)


def swath_m(plan: FlightPlan) -> float:
    """Ground width of the whole swath [m]."""
    return plan.samples * plan.sample_m


def lanes(plan: FlightPlan) -> list[int]:
    """Lane flown by each cube: the last `panel_passes - 1` cubes repeat lane 0."""
    first = plan.cubes - (plan.panel_passes - 1)
    return [i if i < first else 0 for i in range(plan.cubes)]


def timetable(plan: FlightPlan) -> Timetable:
    """Times and paths of a plan's captures."""
    period = plan.frame_period_ms * 1e-3
    before = plan.start.timestamp()
    flat = before + plan.dark_frames * period + 2.0
    clock = flat + (plan.flat_lines * period if plan.flat else 0.0) + plan.settling_s
    spacing = swath_m(plan) * (1.0 - plan.side_lap)
    length = plan.lines * plan.line_m
    strips = []
    for cube, lane in enumerate(lanes(plan)):
        step = np.arange(plan.lines, dtype=np.float64)
        for gap in plan.gaps:
            if gap.cube == cube:
                step[gap.line :] += gap.missing
        jitter = generator(plan, "jitter", cube).standard_normal(plan.lines)
        offset = np.round(1e6 * (step * period + plan.time_jitter_ms * 1e-3 * jitter))
        time = np.round(clock * 1e6) / 1e6 + (offset - offset[0]) / 1e6
        forward = lane % 2 == 0
        start = 0.0 if forward else length
        turned = attitude(plan, time)
        strips.append(Strip(1 if forward else -1, start, lane * spacing, time, turned))
        clock = float(time[-1]) + period + plan.turn_s
    after = clock - plan.turn_s + plan.settling_s
    return Timetable(before, flat, tuple(strips), after, after + plan.dark_frames * period)


def attitude(plan: FlightPlan, time_s: Array) -> Attitude:
    """True attitude at any times, (time,): slow sines whose phases the seed draws."""
    since = np.asarray(time_s) - plan.start.timestamp()
    turned = []
    for axis in range(3):
        phase = generator(plan, "wobble", axis).uniform(0.0, 2.0 * np.pi, len(WOBBLE_HZ))
        waves = [
            np.sin(2.0 * np.pi * hz * since + p) for hz, p in zip(WOBBLE_HZ, phase, strict=True)
        ]
        turned.append(plan.wobble_deg * np.sqrt(2.0 / len(WOBBLE_HZ)) * np.sum(waves, axis=0))
    return Attitude(*turned)


def ground(plan: FlightPlan, strip: Strip, lines: slice = slice(None)) -> tuple[Array, Array]:
    """Ground coordinates of some of a strip's lines, along and across [m].

    Level straight flight makes the two separable: (line, 1) and (1, sample). With wobble both are
    (line, sample).
    """
    elapsed = (strip.time_s - strip.time_s[0])[lines]
    along = (strip.along_start_m + strip.direction * plan.speed_m_s * elapsed)[:, None]
    offset = across_offset(plan)[None, :]
    if not plan.wobble_deg:
        return along, strip.across_m + strip.direction * offset
    ahead, right = _on_the_ground(plan, strip, lines)
    along = along + strip.direction * ahead
    return along, strip.across_m + strip.direction * right


def _on_the_ground(plan: FlightPlan, strip: Strip, lines: slice) -> tuple[Array, Array]:
    """Metres ahead of the nadir and to its right, in the strip's direction, (line, sample) each.

    Each line of sight, (forward, right, down) in the camera's axes, is turned by roll, then pitch,
    then yaw, and meets the ground.
    """
    turned = strip.attitude
    roll, pitch, yaw = (
        np.radians(angle[lines]) for angle in (turned.roll, turned.pitch, turned.yaw)
    )
    zero, one = np.zeros_like(roll), np.ones_like(roll)

    def matrix(*rows: tuple[Array, Array, Array]) -> Array:
        return np.moveaxis(np.array(rows), -1, 0)

    about_forward = matrix(
        (one, zero, zero),
        (zero, np.cos(roll), -np.sin(roll)),
        (zero, np.sin(roll), np.cos(roll)),
    )
    about_right = matrix(
        (np.cos(pitch), zero, np.sin(pitch)),
        (zero, one, zero),
        (-np.sin(pitch), zero, np.cos(pitch)),
    )
    about_down = matrix(
        (np.cos(yaw), -np.sin(yaw), zero),
        (np.sin(yaw), np.cos(yaw), zero),
        (zero, zero, one),
    )
    offset = across_offset(plan) / plan.height_m
    sight = np.stack([np.zeros_like(offset), offset, np.ones_like(offset)])
    forward, right, down = np.moveaxis(about_down @ about_right @ about_forward @ sight, 1, 0)
    return plan.height_m * forward / down, plan.height_m * right / down


def lon_lat(plan: FlightPlan, along_m: Array, across_m: Array) -> tuple[Array, Array]:
    """Longitude and latitude [deg] of ground points, in the shape of the input."""
    from pyproj import Transformer

    heading = np.radians(plan.heading_deg)
    east = along_m * np.sin(heading) + across_m * np.cos(heading)
    north = along_m * np.cos(heading) - across_m * np.sin(heading)
    local = f"+proj=aeqd +lat_0={plan.latitude} +lon_0={plan.longitude} +datum=WGS84 +units=m"
    longitude, latitude = Transformer.from_crs(local, "EPSG:4326", always_xy=True).transform(
        east, north
    )
    return np.asarray(longitude), np.asarray(latitude)


@dataclass(frozen=True, eq=False)
class Track:
    """Position and attitude over time, each (point,)."""

    time_s: Array
    latitude: Array
    longitude: Array
    height_m: Array
    roll_deg: Array
    pitch_deg: Array
    heading_deg: Array


def track(plan: FlightPlan, table: Timetable) -> Track:
    """The track at 20 Hz, as recorded: straight over each strip and 1.5 s to either side."""
    time, along, across, heading = [], [], [], []
    for strip in table.strips:
        for end, lead in ((0, -LEAD_S), (-1, LEAD_S)):
            t = strip.time_s[end] + lead
            time.append(t)
            elapsed = t - strip.time_s[0]
            along.append(strip.along_start_m + strip.direction * plan.speed_m_s * elapsed)
            across.append(strip.across_m)
            heading.append(plan.heading_deg + (0.0 if strip.direction > 0 else 180.0))
    start, stop = table.before_s - MARGIN_S, table.end_s + MARGIN_S
    t = start + np.arange(int((stop - start) * TRACK_HZ) + 1) / TRACK_HZ
    off_along, off_across, off_height = _wandering(plan, t.size)
    longitude, latitude = lon_lat(
        plan, np.interp(t, time, along) + off_along, np.interp(t, time, across) + off_across
    )
    turned = attitude(plan, t)
    off_roll, off_pitch, off_yaw = plan.attitude_noise_deg * generator(
        plan, "attitude noise"
    ).standard_normal((3, t.size))
    return Track(
        time_s=t,
        latitude=latitude,
        longitude=longitude,
        height_m=plan.height_m + off_height,
        roll_deg=turned.roll + off_roll,
        pitch_deg=turned.pitch + off_pitch,
        heading_deg=(np.interp(t, time, heading) + turned.yaw + off_yaw) % 360.0,
    )


def _wandering(plan: FlightPlan, fixes: int) -> Array:
    """Error of the positions along, across and of the height, (3, fix) [m]: a slow random walk
    that is drawn back to zero."""
    if not plan.gnss_noise_m:
        return np.zeros((3, fixes))
    keep = np.exp(-1.0 / (GNSS_WANDER_S * TRACK_HZ))
    fresh = generator(plan, "position noise").standard_normal((3, fixes))
    fresh[:, 1:] *= np.sqrt(1.0 - keep**2)
    return np.asarray(plan.gnss_noise_m * lfilter([1.0], [1.0, -keep], fresh, axis=1))


@dataclass(frozen=True)
class Rectangle:
    """A rectangle in the ground frame [m]."""

    along: tuple[float, float]
    across: tuple[float, float]

    def corners(self) -> tuple[Array, Array]:
        """Closed ring: along (5,), across (5,)."""
        (a0, a1), (c0, c1) = self.along, self.across
        return np.array([a0, a1, a1, a0, a0]), np.array([c0, c0, c1, c1, c0])


def panel_rectangles(plan: FlightPlan) -> tuple[Rectangle, ...]:
    """Panels in two columns on lane 0, clear of the neighbour strip's side lap."""
    unit, side = plan.sample_m, plan.panel_side * plan.sample_m
    made = []
    for number in range(len(plan.panels)):
        row, column = divmod(number, 2)
        along = (16 + row * (plan.panel_side + 16)) * unit
        across = ((0.28, 0.62)[column] - 0.5) * plan.samples * unit - side / 2.0
        made.append(Rectangle((along, along + side), (across, across + side)))
    return tuple(made)


def survey_rectangle(plan: FlightPlan) -> Rectangle:
    """The area to be surveyed: all lanes, less a margin that every strip sees."""
    width = swath_m(plan)
    last = max(lanes(plan)) * width * (1.0 - plan.side_lap)
    length = plan.lines * plan.line_m
    return Rectangle((0.02 * length, 0.98 * length), (-0.48 * width, last + 0.48 * width))
