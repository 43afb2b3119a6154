"""Times, sizes and energies in words, for people. Pressures and other quantities are `files.units`."""


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
