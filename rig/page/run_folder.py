"""Which run folder the live page shows: the one given, or the newest of a bench file."""

from __future__ import annotations

from pathlib import Path

from rig.errors import RunFolderError
from rig.ledger import FILE_NAME, Ledger


class RunFinder:
    """Finds the run folder, again and again: the run may begin after the page.

    Args:
        given: A run folder, its ledger, a folder that holds run folders, or a bench file.
        run: The run folder, where a bench file does not tell.

    Raises:
        RunFolderError: There is no such path, or it is nothing of these.
        BenchFileError: The bench file is wrong.
    """

    def __init__(self, given: Path, run: Path | None = None) -> None:
        self.places: list[Path] = []
        self.fixed: Path | None = None
        self._digest = ""
        self._known: dict[tuple[Path, int], str] = {}
        if given.suffix == ".toml" and given.is_file():
            from rig.bench import load_bench

            bench = load_bench(given)
            self.name = f"{bench.hot_end.name}, {bench.filament.name}"
            self._digest = bench.digest()
            self.places = list(dict.fromkeys([given.resolve().parent, Path.cwd()]))
            if run is not None:
                self.fixed = run
            return
        if run is not None:
            raise RunFolderError(f"--run goes with a bench file; {given} is none")
        if given.is_file() and given.suffix == ".sqlite":
            given = given.parent
        if not given.is_dir():
            raise RunFolderError(
                f"{given}: no such bench file or run folder; a run folder holds {FILE_NAME}"
            )
        self.name = given.resolve().name
        if (given / FILE_NAME).is_file():
            self.fixed = given
        else:
            self.places = [given.resolve()]
            if self.find() is None:
                raise RunFolderError(
                    f"{given}: holds no {FILE_NAME}; give a run folder or the bench file"
                )

    def find(self) -> Path | None:
        """The run folder, or None while there is none."""
        if self.fixed is not None:
            return self.fixed if (self.fixed / FILE_NAME).is_file() else None
        found: list[tuple[float, Path]] = []
        for place in self.places:
            for ledger in (*place.glob(FILE_NAME), *place.glob(f"*/{FILE_NAME}")):
                try:
                    stat = ledger.stat()
                except OSError:
                    continue
                if self._belongs(ledger, stat.st_ino):
                    found.append((_last_write(ledger), ledger.parent))
        return max(found)[1] if found else None

    def _belongs(self, ledger: Path, inode: int) -> bool:
        if not self._digest:
            return True
        key = (ledger, inode)
        if key not in self._known:
            try:
                with Ledger.open(ledger, read_only=True) as opened:
                    self._known[key] = opened.run.bench_digest
            except RunFolderError:
                return False
        return self._known[key] == self._digest


def _last_write(ledger: Path) -> float:
    """When the ledger or its write-ahead log was written last, in s."""
    times = [ledger.stat().st_mtime]
    log = ledger.with_name(ledger.name + "-wal")
    if log.exists():
        times.append(log.stat().st_mtime)
    return max(times)
