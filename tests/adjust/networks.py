"""Random networks with a known truth, and a dense solution by independent means.

The oracle shares nothing with the package: its own observation equations, written
from the textbook formulae, complex-step derivatives, and the full inverse of the
normal equations or of the bordered system.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame
from tieup.adjust.solution import Adjustment
from tieup.model.network import Links, Network, Start
from tieup.model.observations import Sights
from tieup.model.settings import Instrument, Precision

ARC = np.pi / 648000
BEND = (1 - 0.13) / (2 * 6371000.0)
PRECISION = Precision(
    instruments={"default": Instrument(3 * ARC, 4 * ARC, 0.002, 2.0)},
    centring_instrument=0.0008,
    centring_target=0.0012,
    height_instrument=0.0007,
    height_target=0.0009,
)


@dataclass(frozen=True)
class Truth:
    """What the observations were made of: axes and points (m), orientations (rad)."""

    axis: np.ndarray
    orientation: np.ndarray
    position: np.ndarray


def observe(delta: np.ndarray, orientation: np.ndarray) -> np.ndarray:
    """Direction, zenith, distance of vectors (n, 3): textbook formulae, curvature on heights."""
    north, east, up = delta[:, 0], delta[:, 1], delta[:, 2]
    plan = np.sqrt(north**2 + east**2)
    return np.column_stack(
        [
            np.arctan2(east, north) - orientation,
            np.arctan2(plan, up) + BEND * plan,
            np.sqrt(plan**2 + up**2),
        ]
    )


def random_network(
    rng: np.random.Generator,
    setups: int = 4,
    marks: int = 7,
    side_shots: int = 6,
    occupied: int = 1,
    control: str = "mixed",
    extent: float = 60.0,
    drop: float = 0.1,
    noise: float = 1.0,
    shift: tuple[float, float] = (0.0, 0.0),
    links: int = 0,
) -> tuple[Network, Truth]:
    """Draw a network: every setup sees every mark (some components dropped) plus side shots.

    ``control``: mixed (some held, some weighted, one height only), held, or none.
    ``noise`` scales the errors drawn (0: perfect observations). ``links`` are levels and tapes
    between marks, in turn.
    """
    points = marks + side_shots
    position = np.column_stack(
        [rng.uniform(0, extent, (points, 2)) + shift, rng.uniform(-3, 3, points)]
    )
    axis = np.column_stack(
        [rng.uniform(0, extent, (setups, 2)) + shift, rng.uniform(-1, 2, setups)]
    )
    orientation = rng.uniform(0, 2 * np.pi, setups)
    station = np.full(setups, -1)
    height = np.zeros(setups)
    for s in range(occupied):
        station[s] = s
        height[s] = 1.5 + 0.1 * s
        offset = rng.normal(size=3) * noise * [8e-4, 8e-4, 7e-4]
        axis[s] = position[s] + [0, 0, height[s]] + offset
    pairs = [(s, p) for s in range(setups) for p in range(marks) if station[s] != p]
    pairs += [(int(rng.integers(setups)), p) for p in range(marks, points)]
    pairs.sort()
    setup, point = np.array(pairs).T
    rise = rng.choice([0.0, 1.3, 2.0], len(setup))
    delta = position[point] - axis[setup]
    delta[:, 2] += rise
    slope = np.linalg.norm(delta, axis=1)
    count = rng.integers(1, 4, (len(setup), 3))
    value = observe(delta, orientation[setup])
    pointing = np.column_stack(
        [np.full(len(setup), 3 * ARC), np.full(len(setup), 4 * ARC), 0.002 + 2e-6 * slope]
    )
    value += noise * rng.normal(size=value.shape) * pointing / np.sqrt(count)
    target = rng.normal(size=(len(setup), 3)) * [0.0012, 0.0012, 0.0009] * noise
    value += observe(delta + target, orientation[setup]) - observe(delta, orientation[setup])
    is_side = point >= marks
    lost = (rng.uniform(size=value.shape) < drop) & ~is_side[:, None]
    value[lost] = np.nan
    value[:, 0] = np.mod(value[:, 0], 2 * np.pi)
    sights = Sights(
        setup=setup,
        point=point,
        target_height=rise,
        value=value,
        count=np.where(np.isfinite(value), count, 0),
        pointing_sd=pointing,
        common_sd=np.zeros_like(value),
    )
    given, sd = _control(rng, control, position, points)
    start = Start(
        axis=axis + rng.normal(scale=0.01, size=axis.shape),
        orientation=orientation + rng.normal(scale=2e-4, size=setups),
        position=position + rng.normal(scale=0.01, size=position.shape),
        plan_setup=np.ones(setups, bool),
        height_setup=np.ones(setups, bool),
        plan_point=np.ones(points, bool),
        height_point=np.ones(points, bool),
        component=np.zeros(setups, int),
        gross=np.zeros(value.shape, bool),
    )
    held = sd == 0
    start.position[held] = given[held]
    network = Network(
        tuple(f"S{s}" for s in range(setups)),
        tuple(f"P{p}" for p in range(points)),
        station,
        height,
        sights,
        given,
        sd,
        draw_links(rng, position, marks, links, noise),
        np.zeros(3),
        start,
    )
    return network, Truth(axis, orientation, position)


def draw_links(
    rng: np.random.Generator, position: np.ndarray, marks: int, count: int, noise: float
) -> Links:
    """Draw links between different marks: levels and tapes in turn, sds of 0.3 and 0.8 mm."""
    kind = np.array(["level", "tape"] * count, dtype=object)[:count]
    ends = np.array([rng.choice(marks, 2, replace=False) for _ in range(count)], int).reshape(-1, 2)
    offset = position[ends[:, 1]] - position[ends[:, 0]]
    sd = np.where(kind == "level", 0.0003, 0.0008)
    value = np.where(kind == "level", offset[:, 2], np.sqrt(offset[:, 0] ** 2 + offset[:, 1] ** 2))
    if count:
        value = value + noise * rng.normal(size=count) * sd
    return Links(kind, ends[:, 0], ends[:, 1], value, sd)


def _control(
    rng: np.random.Generator, kind: str, position: np.ndarray, points: int
) -> tuple[np.ndarray, np.ndarray]:
    given, sd = np.full((points, 3), np.nan), np.full((points, 3), np.nan)
    if kind == "none":
        return given, sd
    held = [0, 1, 2] if kind == "held" else [0, 1]
    given[held], sd[held] = position[held], 0.0
    if kind == "mixed":
        sd[2] = [0.002, 0.003, 0.001]
        given[2] = position[2] + rng.normal(size=3) * sd[2]
        given[3, 2], sd[3, 2] = position[3, 2], 0.0
    return given, sd


class Oracle:
    """Dense weighted least squares on the same observations, written independently."""

    def __init__(self, network: Network, precision: Precision, sd: dict[str, np.ndarray]) -> None:
        self.network, self.sd = network, sd
        self.setups, self.points = len(network.setup_labels), len(network.point_names)
        self.leaning = self._leaning(precision, sd["at"])

    def _leaning(self, precision: Precision, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return cov(zenith, distance) / var(zenith) (k,), and the sd of the distance beyond it.

        By the derivatives of zenith angle and distance by the target; ``at`` (k, 3) is its offset
        from the axis where the package takes them.
        """
        sights = self.network.sights
        north, east, up = at.T
        plan, slope = np.hypot(north, east), np.sqrt(north**2 + east**2 + up**2)
        by_plan = np.column_stack([up / slope**2, plan / slope])
        by_height = np.column_stack([-plan / slope**2, up / slope])
        shared = by_plan.prod(axis=1) * precision.centring_target**2
        shared = shared + by_height.prod(axis=1) * precision.height_target**2
        both = np.isfinite(sights.value[:, 1:]).all(axis=1)
        lean = np.where(both, shared / self.sd["sight"][:, 1] ** 2, 0.0)
        with np.errstate(invalid="ignore"):
            rest = np.sqrt(self.sd["sight"][:, 2] ** 2 - lean * np.where(both, shared, 0.0))
        return lean, rest

    def redundancy(self, design: np.ndarray, inverse: np.ndarray) -> np.ndarray:
        """Return the diagonal of Qv P of all observations, by the whole matrices."""
        lean, rest = self.leaning
        seen = np.isfinite(self.network.sights.value)
        number = np.full(seen.shape, -1)
        number[seen] = np.arange(seen.sum())
        whiten = np.eye(len(design))
        sd = self.sd["sight"]
        for k, row in enumerate(number):
            for kind in np.flatnonzero(row >= 0):
                whiten[row[kind], row[kind]] = 1.0 / (rest[k] if kind == 2 else sd[k, kind])
            if lean[k] != 0.0:
                whiten[row[2], row[1]] = -lean[k] / rest[k]
        kept = np.eye(len(design)) - design @ inverse @ design.T
        return np.diagonal(np.linalg.solve(whiten, kept @ whiten))

    def unpack(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return setups (S, 4) and points (P, 3) of the vector of all unknowns."""
        cut = 4 * self.setups
        return x[:cut].reshape(-1, 4), x[cut:].reshape(-1, 3)

    def residual(self, x: np.ndarray) -> np.ndarray:
        """Whitened predicted minus observed; complex-step safe."""
        setup, point = self.unpack(x)
        sights = self.network.sights
        delta = point[sights.point] - setup[sights.setup, :3]
        delta = delta + np.column_stack([np.zeros((len(sights), 2)), sights.target_height])
        north, east, up = delta.T
        plan = np.sqrt(north**2 + east**2)
        azimuth = _complex_atan2(east, north) - setup[sights.setup, 3]
        zenith = _complex_atan2(plan, up) + BEND * plan
        slope = np.sqrt(plan**2 + up**2)
        out = np.column_stack([azimuth, zenith, slope]) - sights.value
        turns = np.round(out[:, 0].real / (2 * np.pi)) * 2 * np.pi
        lean, rest = self.leaning
        distance = out[:, 2] - lean * np.where(lean == 0.0, 0.0, out[:, 1])
        sd = self.sd["sight"]
        with np.errstate(invalid="ignore"):  # NaN where nothing was observed
            out = np.column_stack(
                [(out[:, 0] - turns) / sd[:, 0], out[:, 1] / sd[:, 1], distance / rest]
            )
        parts = [out[np.isfinite(sights.value)]]
        for s in np.flatnonzero(self.network.station >= 0):
            mark = point[self.network.station[s]]
            over = setup[s, :3] - mark - [0, 0, self.network.instrument_height[s]]
            parts.append(over / self.sd["plumb"])
        weighted = self.network.control_sd > 0
        if self.sd.get("control", True):
            parts.append(
                (point[weighted] - self.network.control[weighted])
                / self.network.control_sd[weighted]
            )
        links = self.network.links
        offset = point[links.end] - point[links.start]
        plan = np.sqrt(offset[:, 0] ** 2 + offset[:, 1] ** 2)
        predicted = np.where(links.kind == "level", offset[:, 2], plan)
        parts.append((predicted - links.value) / links.sd)
        return np.concatenate(parts)

    def jacobian(self, x: np.ndarray) -> np.ndarray:
        """Differentiate the residuals by every unknown with the complex step."""
        columns = []
        for i in range(len(x)):
            z = x.astype(complex)
            z[i] += 1e-30j
            columns.append(self.residual(z).imag / 1e-30)
        return np.array(columns).T


def offsets_of_weights(result: Adjustment) -> np.ndarray:
    """Return target minus axis (k, 3) of each sight where the package weighs it.

    That is the start, for sights aside the end.
    """
    network = result.problem.network
    sights, start = network.sights, network.start
    end, axis = start.position[sights.point], start.axis[sights.setup]
    aside = result.aside.connections
    own = aside.source[~aside.plumb]
    end[own], axis[own] = result.position[sights.point[own]], result.axis[sights.setup[own]]
    away = end - axis
    away[:, 2] += sights.target_height
    return away


def _complex_atan2(y: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Arctangent of y/x in the right quadrant, analytic for a complex step."""
    y, x = np.asarray(y, complex), np.asarray(x, complex)
    real = np.arctan2(y.real, x.real)
    square = x.real**2 + y.real**2
    return real + 1j * (x.real * y.imag - y.real * x.imag) / square


def held_to_control(network: Network) -> Adjustment:
    """Return the adjustment of a network held to its control."""
    return adjust(network, PRECISION, 0.13, held_frame(network))
