"""The bench file: what stands on the table, what it may do, and what is to be measured.

TOML, one file a bench. The models below are strict: a value of the wrong type, outside its range,
or a key that is not known is refused before anything is touched, each with one line that names
file, line, table, key, value and what is allowed.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    field_validator,
    model_validator,
)

from detectors.evidence import MotorGeometry
from rig import bench_checks, bench_errors, mechanics
from rig.errors import BenchFileError

# TOML has lists only; the models hold tuples, so that a bench is immutable through and through.
_as_tuple = BeforeValidator(lambda v: tuple(v) if isinstance(v, list) else v)
_as_pairs = BeforeValidator(
    lambda v: tuple(tuple(p) if isinstance(p, list) else p for p in v) if isinstance(v, list) else v
)
Floats = Annotated[tuple[float, ...], _as_tuple]
Pairs = Annotated[tuple[tuple[float, float], ...], _as_pairs]


FEED_TOLERANCE = 0.02
"""Half width, relative, where a bench file says nothing: how far the drive gear's teeth sink into
the filament, and so its effective diameter, is known no better without care (common practice)."""


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


def _one_of(table: _Table, one: str, other: str) -> None:
    """Refuses a table that has neither of two keys, or both."""
    values = getattr(table, one), getattr(table, other)
    if values == (None, None):
        raise ValueError(f"lacks the key {one} (or {other} in its place)")
    if None not in values:
        raise ValueError(f"has both {one} and {other}; give one of them")


class Motor(_Table):
    """The extruder's motor, as its data sheet rates it."""

    rated_current_a: float = Field(gt=0, le=10, description="per phase, RMS, A")
    holding_torque_nm: float | None = Field(
        None, gt=0, le=10, description="at the rated current, both phases on, N m"
    )
    torque_table: Pairs | None = Field(
        None, description="measured instead: [[A RMS, N m], ...], both rising"
    )
    steps_per_turn: int = Field(200, ge=20, le=1000, description="full steps a turn")
    resistance_ohm: float | None = Field(None, gt=0, le=200, description="of a phase, ohm")
    inductance_mh: float | None = Field(None, gt=0, le=500, description="of a phase, mH")
    rotor_inertia_g_cm2: float | None = Field(None, gt=0, le=5000, description="g cm2")
    torque_tolerance: float = Field(
        0.10, ge=0, lt=1, description="half width of the data sheet's torque tolerance, relative"
    )
    insulation_class: Literal["A", "E", "B", "F", "H"] = Field(
        "B", description="thermal class of the winding (IEC 60085)"
    )
    thermal_resistance_k_w: float | None = Field(
        None, gt=0, le=100, description="winding to ambient as mounted, K/W"
    )

    @field_validator("steps_per_turn")
    @classmethod
    def _whole_cycles(cls, value: int) -> int:
        if value % 4:
            raise ValueError(
                "must be a multiple of 4, for an electrical cycle is 4 full steps: 200 for a "
                "1.8 degree motor, 400 for 0.9 degree"
            )
        return value

    @model_validator(mode="after")
    def _one_torque(self) -> Motor:
        _one_of(self, "holding_torque_nm", "torque_table")
        if (self.resistance_ohm is None) != (self.inductance_mh is None):
            raise ValueError("give resistance_ohm and inductance_mh both, or neither")
        self.torque_curve()
        return self

    def torque_curve(self) -> mechanics.TorqueCurve:
        """Torque against RMS current."""
        if self.torque_table is not None:
            return mechanics.TorqueCurve.table(
                self.torque_table, rated_current_a=self.rated_current_a
            )
        assert self.holding_torque_nm is not None
        return mechanics.TorqueCurve.rated(
            rated_current_a=self.rated_current_a, holding_torque_nm=self.holding_torque_nm
        )


class Driver(_Table):
    """The motor driver: its current unit and steps, and its supply."""

    current_unit: Literal["rms", "peak"] = Field("rms", description="what a set ampere means")
    supply_v: float = Field(24.0, ge=5, le=60, description="motor supply, V")
    microsteps: int = Field(16, ge=1, le=256, description="microsteps a full step")
    full_scale_a: float | None = Field(
        None, gt=0, le=20, description="greatest current, own unit, A"
    )
    low_scale_a: float | None = Field(
        None, gt=0, le=20, description="full scale of a second, finer range, own unit, A"
    )
    current_levels: int | None = Field(None, ge=2, le=4096, description="steps over full scale")
    current_accuracy: float = Field(
        0.05, ge=0, lt=1, description="half width of the current's accuracy, relative"
    )

    @field_validator("microsteps")
    @classmethod
    def _power_of_two(cls, value: int) -> int:
        if value & (value - 1):
            raise ValueError("must be a power of two from 1 to 256")
        return value

    @model_validator(mode="after")
    def _scale_whole(self) -> Driver:
        if (self.full_scale_a is None) != (self.current_levels is None):
            raise ValueError("give full_scale_a and current_levels both, or neither")
        if self.low_scale_a is not None and (
            self.full_scale_a is None or self.low_scale_a >= self.full_scale_a
        ):
            raise ValueError("low_scale_a must be below full_scale_a")
        return self


class Drive(_Table):
    """Gears and drive gear: from motor torque to filament force."""

    gear_ratio: str | float = Field(description='driven:driving, "50:17", "50:17 40:20", or number')
    filament_per_turn_mm: float | None = Field(
        None, gt=1, le=200, description="filament per turn of the drive gear, mm"
    )
    effective_diameter_mm: float | None = Field(
        None, gt=1, le=60, description="effective diameter of the drive gear, mm"
    )
    filament_per_turn_tolerance: float = Field(
        FEED_TOLERANCE,
        ge=0,
        lt=0.5,
        description="half width of the tolerance of filament per turn, relative",
    )
    efficiency: float = Field(0.9, gt=0.2, le=1, description="of all gear stages together")
    efficiency_tolerance: float = Field(
        0.05, ge=0, lt=0.5, description="half width of the efficiency's tolerance, relative"
    )
    grip_limit_n: float | None = Field(
        None, gt=0, le=2000, description="force at which the gear starts to grind, if known, N"
    )

    @field_validator("gear_ratio")
    @classmethod
    def _ratio_valid(cls, value: str | float) -> str | float:
        if not 0.1 <= mechanics.parse_gear_ratio(value) <= 200:
            raise ValueError("must come to a reduction of 0.1 to 200")
        return value

    @model_validator(mode="after")
    def _one_size(self) -> Drive:
        _one_of(self, "filament_per_turn_mm", "effective_diameter_mm")
        return self

    @property
    def ratio(self) -> float:
        """Motor turns per turn of the drive gear."""
        return mechanics.parse_gear_ratio(self.gear_ratio)

    @property
    def feed_mm(self) -> float:
        """Filament per turn of the drive gear, in mm."""
        if self.filament_per_turn_mm is not None:
            return self.filament_per_turn_mm
        assert self.effective_diameter_mm is not None
        return 3.141592653589793 * self.effective_diameter_mm


class Filament(_Table):
    """The filament on the spool."""

    name: str = Field(min_length=1, description="your own name for it")
    material: str = Field("", description="kind of polymer")
    diameter_mm: float = Field(1.75, ge=1, le=4, description="mm")
    diameter_tolerance_mm: float = Field(0.02, ge=0, le=0.2, description="half width, mm")
    density_g_cm3: float = Field(1.24, gt=0.5, le=10, description="g/cm3")
    available_m: float = Field(gt=0, le=100000, description="left on the spool, m")


class HotEnd(_Table):
    """The hot end under test."""

    name: str = Field(min_length=1, description="your own name for it")
    nozzle_mm: float = Field(gt=0.05, le=3, description="bore of the nozzle, mm")
    max_temperature_c: float = Field(
        ge=60, le=500, description="greatest temperature by the maker's manual, C"
    )


class LinkTable(_Table):
    """How to reach the printer."""

    port: str = Field(min_length=1, description="a device, or any pyserial URL")
    baud: int = Field(115200, ge=1200, le=4000000)
    dialect: str = Field("numbered", min_length=1, description='"numbered" or a dialect file')


class Microphone(_Table):
    """What listens."""

    device: str | int = Field(description='name or index of an input; "sim"; "none"')
    host: str | None = Field(None, description="host interface, where a name is not unique")
    sample_rate_hz: int = Field(48000, ge=8000, le=192000)
    detector: str | None = Field(None, description="detector file made by listen or tune")


class Encoder(_Table):
    """A counter board that measures filament length."""

    port: str = Field(min_length=1, description="a device, or any pyserial URL")
    baud: int = Field(115200, ge=1200, le=4000000)
    counts_per_mm: float = Field(gt=0.1, le=10000, description="counts per mm of filament")


class Limits(_Table):
    """What a run may never exceed."""

    max_current_a: float = Field(gt=0, le=10, description="in the driver's own unit, A")
    max_speed_mm_s: float = Field(gt=0, le=200, description="filament speed, mm/s")
    max_hours: float = Field(gt=0, le=72, description="h")
    max_filament_m: float = Field(gt=0, le=10000, description="m")
    pile_litre: float = Field(gt=0, le=1000, description="loose pile the room can take, litre")


class Plan(_Table):
    """What is to be measured."""

    temperatures_c: Floats = Field(min_length=1, max_length=30, description="C")
    currents_a: Floats = Field(
        min_length=1, max_length=60, description="rising, in the driver's own unit, A"
    )
    start_speed_mm_s: float = Field(1.0, gt=0, le=100, description="mm/s")
    resolution: float = Field(
        0.03, ge=0.002, le=0.5, description="relative width of the last bracket"
    )
    repeats: int = Field(1, ge=1, le=50)
    method: Literal["bisection", "learning"] = "bisection"
    prefer: Literal["filament", "time"] = Field(
        "filament", description="what a plan that learns saves"
    )
    band: float | None = Field(
        None,
        ge=0.005,
        le=0.5,
        description="half width of the fitted curve's 95 % band where it is widest, relative to "
        "the force, at which a plan that learns stops before it has a bracket for every current",
    )
    trial_length_mm: float | None = Field(None, ge=2, le=2000, description="filament a trial, mm")
    steady_s: float | None = Field(None, ge=0.5, le=120, description="or its steady seconds")
    prime_mm: float = Field(
        6.0,
        ge=0,
        le=200,
        description="fresh filament after a skip, mm; 6 mm or more where a faster trial at more "
        "current went before",
    )

    @field_validator("temperatures_c")
    @classmethod
    def _temperatures(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if any(not 60 <= t <= 500 for t in value):
            raise ValueError("each must be 60 to 500 C")
        if len(set(value)) != len(value):
            raise ValueError("a temperature stands there twice; use repeats to repeat")
        return value

    @field_validator("currents_a")
    @classmethod
    def _currents(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if any(c <= 0 for c in value) or any(b <= a for a, b in itertools.pairwise(value)):
            raise ValueError("must be above 0 and rising")
        return value

    @model_validator(mode="after")
    def _learns_from_three(self) -> Plan:
        if self.method == "learning" and len(self.currents_a) < 3:
            raise ValueError("method = learning needs three currents or more")
        if self.band is not None and self.method != "learning":
            raise ValueError("band is for method = learning only")
        return self

    @model_validator(mode="after")
    def _one_length(self) -> Plan:
        if self.trial_length_mm is not None and self.steady_s is not None:
            raise ValueError("give trial_length_mm or steady_s, and not both")
        return self


class Bench(_Table):
    """A whole bench file. Immutable."""

    motor: Motor
    driver: Driver = Driver()
    drive: Drive
    filament: Filament
    hot_end: HotEnd
    link: LinkTable
    microphone: Microphone
    encoder: Encoder | None = None
    limits: Limits
    plan: Plan
    _folder: Path | None = PrivateAttr(None)

    def beside(self, name: str) -> str:
        """A file that the bench names: beside the bench file where there is one, else as given."""
        place = self._folder / name if self._folder is not None else None
        return str(place) if place is not None and place.is_file() else name

    def geometry(self) -> MotorGeometry:
        """What the detectors need to know of motor and drive."""
        return MotorGeometry(
            steps_per_turn=self.motor.steps_per_turn,
            filament_per_motor_turn_mm=self.drive.feed_mm / self.drive.ratio,
            gear_ratio=self.drive.ratio,
        )

    def chain(self) -> mechanics.ForceChain:
        """From current asked of the driver to force on the filament."""
        winding = None
        if self.motor.resistance_ohm is not None and self.motor.inductance_mh is not None:
            winding = mechanics.Winding(
                self.motor.resistance_ohm, self.motor.inductance_mh / 1000.0, self.driver.supply_v
            )
        return mechanics.ForceChain(
            torque=self.motor.torque_curve(),
            scale=mechanics.CurrentScale(
                peak=self.driver.current_unit == "peak",
                full_scale_a=self.driver.full_scale_a,
                levels=self.driver.current_levels or 32,
                low_scale_a=self.driver.low_scale_a,
            ),
            gear_ratio=self.drive.ratio,
            filament_per_turn_mm=self.drive.feed_mm,
            efficiency=self.drive.efficiency,
            steps_per_turn=self.motor.steps_per_turn,
            winding=winding,
        )

    def digest(self) -> str:
        """Fingerprint of everything that a measurement depends on, 16 hex digits.

        The port is left out: a board may come back under another name after a cable was pulled. So
        is a tolerance of filament per turn that the file does not state: it came later than
        run folders that must still be found to be of their bench.
        """
        content = self.model_dump(mode="json")
        content["link"].pop("port")
        if self.drive.filament_per_turn_tolerance == FEED_TOLERANCE:
            content["drive"].pop("filament_per_turn_tolerance")
        text = json.dumps(content, sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def warnings(self) -> list[str]:
        """What is allowed but worth a second look, one sentence each."""
        return bench_checks.warnings(self)


def parse_bench(text: str, *, name: str = "bench.toml") -> Bench:
    """The bench that a TOML text describes.

    Args:
        text: Contents of the file.
        name: What to call the file in messages.

    Raises:
        BenchFileError: One line for each fault: file, line, table, key, value, what is allowed.
    """
    try:
        data: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BenchFileError(f"{name}: not valid TOML: {error}") from error
    try:
        bench = Bench.model_validate(data)
    except ValidationError as error:
        lines = bench_errors.describe(error, model=Bench, text=text, name=name)
        raise BenchFileError("\n".join(lines)) from error
    lines = [
        bench_errors.place(text, name, table, key) + message
        for table, key, message in bench_checks.faults(bench)
    ]
    if lines:
        raise BenchFileError("\n".join(lines))
    return bench


def load_bench(path: str | Path) -> Bench:
    """The bench that a file describes.

    Raises:
        BenchFileError: The file cannot be read, or says something that cannot be.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise BenchFileError(
            f"{path}: cannot be read ({reason}); `stallcurve init {path}` writes a new bench file"
        ) from error
    bench = parse_bench(text, name=str(path))
    bench._folder = path.parent
    return bench
