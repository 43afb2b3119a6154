"""Times, sizes, energies and repeated names in words, for people. Pressures and other quantities are `files.units`."""

from collections.abc import Iterable


def fold_stations(names: Iterable[str], stations: int) -> dict[str, str]:
    """What to show for each name: one that stands at every station is shown once, the others of it as ""."""
    names = list(names)
    shown = {name: name for name in names}
    for name in names if stations > 1 else ():
        common = name.removesuffix("_1")
        repeated = [f"{common}_{number}" for number in range(1, stations + 1)]
        if name != common and all(one in shown for one in repeated):
            shown.update(dict.fromkeys(repeated, ""))
            shown[name] = f"{common} (each station)"
    return shown


def say_time(seconds: float) -> str:
    if seconds < 1.0:
        return f"{seconds * 1e3:g} ms" if seconds else "0 s"
    if seconds < 120.0:
        return f"{seconds:.3g} s"
    if seconds < 7200.0:
        return f"{int(seconds // 60)} min {seconds % 60:02.0f} s"
    return f"{seconds / 3600:.3g} h"


def say_bytes(count: float) -> str:
    for unit in ("B", "kB", "MB"):
        if count < 1000.0:
            return f"{count:.3g} {unit}"
        count /= 1000.0
    return f"{count:.3g} GB"


def say_energy(joule: float) -> str:
    if joule < 1e3:
        return f"{joule:.3g} J"
    return f"{joule / 1e3:.3g} kJ" if joule < 1e6 else f"{joule / 1e6:.3g} MJ"
