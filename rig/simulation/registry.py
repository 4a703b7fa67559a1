"""Worlds by name: what a ``sim://`` URL means, and which worlds there are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl, urlsplit

from rig.simulation.faults import parse_faults
from rig.simulation.registers import FAMILIES
from rig.simulation.scenarios_house import SCENARIOS, scenario_model
from rig.simulation.world import World

if TYPE_CHECKING:
    from rig.bench import Bench

_WORLDS: dict[tuple[str, int], World] = {}
_DIGESTS: dict[tuple[str, int], str] = {}
OPTIONS = ("seed", "fault", "family", "dtr", "warm")


@dataclass(frozen=True, slots=True)
class SimUrl:
    """A taken-apart ``sim://NAME/PART?seed=3&family=a2&fault=lost-ok@17`` URL.

    Attributes:
        name: Scenario; empty means ``default``.
        part: ``""`` for the printer's board, ``"encoder"`` for the counter board.
        seed: Of everything random.
        options: ``fault``, ``family``, ``dtr`` (0: no restart on opening), ``warm`` (block
            temperature at the beginning, C), ``set.NAME`` (a run-time setting found at start).
    """

    name: str
    part: str
    seed: int
    options: tuple[tuple[str, str], ...] = ()


def parse_url(url: str) -> SimUrl:
    """Take a URL apart.

    Raises:
        ValueError: Not a ``sim://`` URL, or something in it that means nothing.
    """
    parts = urlsplit(url)
    if parts.scheme != "sim":
        raise ValueError(f"{url!r} does not begin with sim://")
    options = dict(parse_qsl(parts.query, keep_blank_values=True))
    for key in options:
        if key not in OPTIONS and not key.startswith("set."):
            raise ValueError(
                f"{url!r}: no option {key!r}; there are {', '.join(OPTIONS)}, set.NAME"
            )
    if options.get("family", "a1") not in FAMILIES:
        raise ValueError(f"{url!r}: no family; there are {', '.join(FAMILIES)}")
    parse_faults(options.get("fault", ""))
    part = parts.path.strip("/")
    if part not in ("", "encoder"):
        raise ValueError(f"{url!r}: no part {part!r}; only /encoder")
    seed = int(options.pop("seed", "1"))
    name = parts.netloc or "default"
    if name not in SCENARIOS and not (name.startswith("bench-") and name[6:].isdigit()):
        raise ValueError(f"{url!r}: no scenario {name!r}; there are {', '.join(SCENARIOS)}")
    return SimUrl(name, part, seed, tuple(sorted(options.items())))


def prepare_world(bench: Bench) -> World:
    """The world of a bench file whose port begins with ``sim://``.

    Motor, driver, drive, filament and nozzle are the file's; the rest is the scenario's. The same
    file gives the same world again (with its time gone on) until `forget_worlds`.

    Raises:
        ValueError: The port is no such URL.
    """
    url = parse_url(bench.link.port)
    key = (url.name, url.seed)
    digest = bench.digest() + repr(url.options)
    if key not in _WORLDS or _DIGESTS.get(key) != digest:
        model = scenario_model(url.name, bench)
        world = World(model, name=url.name, seed=url.seed, options=dict(url.options))
        if bench.encoder is not None:
            from rig.simulation.encoder import EncoderBoard

            world.encoder = EncoderBoard(world, counts_per_mm=bench.encoder.counts_per_mm)
        _WORLDS[key], _DIGESTS[key] = world, digest
    return _WORLDS[key]


def world_for(url: SimUrl) -> World:
    """The world that a URL means: the prepared one of that name and seed, else a new one."""
    key = (url.name, url.seed)
    if key not in _WORLDS:
        model = scenario_model(url.name)
        _WORLDS[key] = World(model, name=url.name, seed=url.seed, options=dict(url.options))
    return _WORLDS[key]


def forget_worlds() -> None:
    """Forget all worlds, so that the next URL begins anew."""
    _WORLDS.clear()
    _DIGESTS.clear()
