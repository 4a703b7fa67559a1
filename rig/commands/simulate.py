"""``stallcurve simulate``: the virtual bench on a pseudo-terminal, in real time."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from rig.commands._out import note, say
from rig.errors import UsageError


@click.command("simulate")
@click.argument("bench_file", metavar="BENCH", type=click.Path(path_type=Path))
@click.option(
    "--link", type=click.Path(path_type=Path), help="Lasting name of the port, a symbolic link."
)
@click.option(
    "--encoder-link", type=click.Path(path_type=Path), help="The same for the counter board."
)
@click.option("--play", is_flag=True, help="Play the sound on the default output.")
@click.option("--play-on", metavar="DEVICE", help="Play the sound on this output.")
@click.option(
    "--raw", type=click.Path(path_type=Path), help="Write the sound to a file or pipe, s16 mono."
)
@click.option("--rate", type=int, help="Sample rate of the sound; default: the bench's.")
@click.option("--seconds", type=float, help="Stop by itself after this long.")
def command(
    bench_file: Path,
    link: Path | None,
    encoder_link: Path | None,
    play: bool,
    play_on: str | None,
    raw: Path | None,
    rate: int | None,
    seconds: float | None,
) -> None:
    """Serve the virtual bench of BENCH (port "sim://...") as a printer on a pseudo-terminal.

    Another program, or another stallcurve whose bench file names the link as its port, may then
    talk to it as to a printer. Nothing is heated but a number. Ctrl-C ends it.
    """
    import signal
    import threading

    from rig.bench import load_bench
    from rig.simulation.terminal import serve

    if seconds is not None and not seconds > 0:
        raise UsageError(f"--seconds {seconds:g}: allowed is above 0")
    if rate is not None and not 8000 <= rate <= 192000:
        raise UsageError(f"--rate {rate}: allowed is 8000 to 192000 Hz")
    bench = load_bench(bench_file)
    stop = threading.Event()
    previous = {
        number: signal.signal(number, lambda *_: stop.set())
        for number in (signal.SIGINT, signal.SIGTERM)
    }
    timer = threading.Timer(seconds, stop.set) if seconds is not None else None
    if timer is not None:
        timer.daemon = True
        timer.start()

    def tell(line: str) -> None:
        say(line)
        sys.stdout.flush()

    device: str | bool = play_on if play_on is not None else play
    if isinstance(device, str) and device.isdigit():
        chosen: str | int | bool = int(device)
    else:
        chosen = device
    try:
        serve(
            bench,
            link_path=link,
            stop=stop,
            encoder_link_path=encoder_link,
            play=chosen,
            raw_path=raw,
            sample_rate_hz=rate,
            tell=tell,
        )
    finally:
        if timer is not None:
            timer.cancel()
        for number, handler in previous.items():
            signal.signal(number, handler)
    note("the virtual bench is gone")
