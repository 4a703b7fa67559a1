"""Everything that one bench is made of, opened and put together: clock, printer, witnesses.

The virtual bench (``sim://``) brings its own clock, microphone and encoder; nothing above this
module can tell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from detectors.room import RoomMemory
from rig.clock import Clock, RealClock
from rig.errors import UnfitBenchError

if TYPE_CHECKING:
    from detectors.settings import DetectorSettings
    from detectors.sources import CountSource, SoundSource
    from rig.bench import Bench
    from rig.guard import Guard
    from rig.printer import Printer
    from rig.release import LastMove

SIM_SCHEME = "sim://"


@dataclass(slots=True)
class Station:
    """One opened bench.

    Attributes:
        bench: The bench file.
        clock: Time and waiting; everything on this bench uses it.
        printer: The printer; `Printer.connect` was not called yet.
        sound: What listens; None without a microphone.
        counts: What measures the filament; None without an encoder.
        detector: The detector's numbers.
        world: The virtual bench behind ``sim://``; None on hardware. For closing lines only.
        guard: The one exit, once the run has entered it; its `check` is called in every loop.
        sound_lag_s: How much later than its blocks say the sound is made, in s; None until the
            first trial has shown it (a virtual bench is exact).
        room: Clicks of the room heard so far in this session.
        last_move: The last move that was judged, while the melt may still hold what it left.
        warmed: Whether the judge has run once, so that a move need not wait for its modules.
        tick: Called with every look at the bench, for a view.
    """

    bench: Bench
    clock: Clock
    printer: Printer
    sound: SoundSource | None
    counts: CountSource | None
    detector: DetectorSettings
    world: Any = None
    guard: Guard | None = None
    tick: Callable[[], None] | None = None
    sound_lag_s: float | None = None
    room: RoomMemory = field(default_factory=RoomMemory)
    last_move: LastMove | None = None
    warmed: bool = False
    _sounding: bool = field(default=False, repr=False)

    @property
    def simulated(self) -> bool:
        """Whether this is a virtual bench."""
        return self.world is not None

    def look(self) -> None:
        """Check the interlocks and let the view know; call it in every loop.

        Raises:
            InterlockError: See `rig.guard.Guard.check`.
        """
        if self.guard is not None:
            self.guard.check()
        if self.tick is not None:
            self.tick()

    def start_sound(self) -> None:
        """Open the microphone, where there is one and it is not open yet.

        Raises:
            SourceMissingError: There is no such device.
            SourceLostError: Nothing comes from it.
        """
        if self.sound is not None and not self._sounding:
            self.sound.start()
            self._sounding = True

    def stop_sound(self) -> None:
        """Close the microphone. Safe to call again."""
        if self.sound is not None and self._sounding:
            self._sounding = False
            self.sound.stop()

    def close(self) -> None:
        """Free every device. Heaters are the guard's business. Safe to call again."""
        self.stop_sound()
        if self.counts is not None:
            self.counts.stop()
        self.printer.close()


def open_station(bench: Bench, *, clock: Clock | None = None, sound: bool = True) -> Station:
    """Open the devices of a bench. Nothing heats or moves.

    Args:
        bench: The bench file.
        clock: Time base; by default the machine's, on a virtual bench always its own.
        sound: False leaves microphone and encoder alone (to talk to the printer only).

    Raises:
        UnfitBenchError: The bench file asks for devices that do not go together.
        DetectorError: Microphone or encoder are missing, or the detector file is no good.
        LinkError: The port cannot be opened.
        DialectError: The dialect file is no good.
    """
    from detectors.settings import DetectorSettings, load_detector
    from rig.link.conversation import Link
    from rig.link.dialect import load_dialect
    from rig.link.transport import open_port
    from rig.printer import Printer

    check_witnesses(bench)
    dialect = load_dialect(bench.beside(bench.link.dialect))
    name = bench.microphone.detector
    detector = load_detector(bench.beside(name)) if name else DetectorSettings()
    world: Any = None
    if bench.link.port.startswith(SIM_SCHEME):
        from rig.simulation import prepare_world

        try:
            world = prepare_world(bench)
        except ValueError as error:
            raise UnfitBenchError(f"link.port: {error}") from error
        clock = world.clock
    clock = clock or RealClock()
    source = _open_sound(bench, clock, world) if sound else None
    counts = _open_counts(bench, clock) if sound else None
    try:
        # Last, because opening the port restarts many boards.
        port = open_port(bench.link.port, baud=bench.link.baud)
    except BaseException:
        if counts is not None:
            counts.stop()
        raise
    printer = Printer(
        Link(port, dialect, clock),
        clock=clock,
        filament_diameter_mm=bench.filament.diameter_mm,
    )
    return Station(
        bench=bench,
        clock=clock,
        printer=printer,
        sound=source,
        counts=counts,
        detector=detector,
        world=world,
        sound_lag_s=0.0 if world is not None else None,
    )


def check_witnesses(bench: Bench) -> None:
    """Whether the bench's witnesses can be had together.

    Raises:
        UnfitBenchError: No witness at all, or virtual and real ones mixed.
    """
    virtual = bench.link.port.startswith(SIM_SCHEME)
    device = bench.microphone.device
    if device == "none" and bench.encoder is None:
        raise UnfitBenchError(
            'microphone.device = "none" and no [encoder]: nothing could tell a skip; name a '
            "microphone (`stallcurve check --list-microphones` shows them) or add an encoder"
        )
    if device == "sim" and not virtual:
        raise UnfitBenchError(
            f'microphone.device = "sim" hears only a virtual bench, and link.port is '
            f"{bench.link.port!r}; name a microphone "
            "(`stallcurve check --list-microphones` shows them)"
        )
    if virtual and device not in ("sim", "none"):
        raise UnfitBenchError(
            f"microphone.device = {device!r} is real and link.port {bench.link.port!r} is not: "
            'their clocks differ; use "sim", or `stallcurve simulate` and its port'
        )


def _open_sound(bench: Bench, clock: Clock, world: Any) -> SoundSource | None:
    microphone = bench.microphone
    if microphone.device == "none":
        return None
    if world is not None:
        source: SoundSource = world.microphone(microphone.sample_rate_hz)
        return source
    from detectors.microphone import choose_microphone, list_microphones
    from detectors.sources import MicrophoneSource

    # A wrong name or a missing library comes out now, and not once the hot end is hot.
    choose_microphone(list_microphones(), microphone.device, host=microphone.host)
    return MicrophoneSource(
        microphone.device,
        sample_rate_hz=microphone.sample_rate_hz,
        host=microphone.host,
        now=clock.now,
    )


def _open_counts(bench: Bench, clock: Clock) -> CountSource | None:
    if bench.encoder is None:
        return None
    from detectors.sources import SerialCountSource
    from rig.link.transport import know_virtual_ports

    know_virtual_ports()
    return SerialCountSource(bench.encoder.port, baud=bench.encoder.baud, now=clock.now)
