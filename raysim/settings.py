"""What to compute: precision, limits, seed."""

from __future__ import annotations

from dataclasses import dataclass

from raysim.errors import SettingsError

BATCHES = 32


@dataclass(frozen=True)
class Settings:
    """How far a run goes. It stops at the first limit met and the result says which.

    Attributes
    ----------
    error_percent : float
        Stop when every T20 above the Schroeder frequency has at most this standard error, in
        percent.
    rays : int or None
        Rays a source, rounded up to whole rounds of 8192; overrides `error_percent`.
    time_s : float or None
        Wall-clock limit in seconds for tracing rays, checked between rounds; the bass comes on
        top.
    seed : int
        Same seed, same bits, for any number of threads.
    threads : int or None
        None takes all cores.
    image_order : int or None
        Highest order of exact image sources; None chooses it by cost.
    receiver_radius_m : float
        Radius of the counting sphere for early sound; reduced where a surface is nearer.
    receiver_growth : float
        For sound that a surface has spread, the sphere grows to this share of the path it has
        come, as far as the nearest surface and 1 m; 0 keeps its radius.
    bin_s : float
        Width of a bin of the energy-time histogram.
    duration_s : float or None
        Length of the histogram; None finds it from a pilot trace.
    maps : bool
        Map the surfaces of the first variant as well, with a quarter as many rays again.
    bass : bool
        Compute the bass by waves as well; the command line does unless told not to.
    bass_to_hz : float or None
        Highest frequency of the bass; None chooses it by the room.
    """

    error_percent: float = 1.0
    rays: int | None = None
    time_s: float | None = None
    seed: int = 1
    threads: int | None = None
    image_order: int | None = None
    receiver_radius_m: float = 0.25
    receiver_growth: float = 0.1
    bin_s: float = 0.001
    duration_s: float | None = None
    maps: bool = False
    bass: bool = False
    bass_to_hz: float | None = None

    def __post_init__(self) -> None:
        """Refuse what no run could mean; each sentence names the option and the remedy."""
        for name, low, high in (
            ("error_percent", 0.01, 50.0),
            ("receiver_radius_m", 0.02, 1.0),
            ("receiver_growth", 0.0, 0.3),
            ("bin_s", 1e-5, 0.1),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise SettingsError(f"{name}: {value:g} is outside {low:g} to {high:g}")
        if self.rays is not None and self.rays < BATCHES:
            raise SettingsError(f"rays: {self.rays} is fewer than {BATCHES}, one a batch")
        if self.seed < 0:
            raise SettingsError(f"seed: {self.seed} is negative; use 0 or more")
        if self.threads is not None and self.threads < 1:
            raise SettingsError(f"threads: {self.threads}; use 1 or more")
        if self.image_order is not None and not 0 <= self.image_order <= 20:
            raise SettingsError(f"image_order: {self.image_order} is outside 0 to 20")
        for name in ("time_s", "duration_s"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise SettingsError(f"{name}: {value:g}; use more than 0")
