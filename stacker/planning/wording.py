"""How lengths, stops and times are put into words, for text and figures alike."""

from math import floor, isinf, log10

from stacker.planning.plan import AperturePlan

__all__ = [
    "bytes_text",
    "figures_text",
    "length_text",
    "overlap_text",
    "stops_text",
    "time_text",
]

_ROUNDING = 1e-9


def length_text(
    length_mm: float, *, figures: int = 3, like_mm: float | None = None
) -> str:
    """Write a length in the unit that a photographer would use.

    Parameters
    ----------
    length_mm : float
        The length; may be infinite.
    figures : int
        Figures that count.
    like_mm : float, optional
        Length whose unit is taken, where several stand together.

    Examples
    --------
    >>> length_text(812.4), length_text(1812.4), length_text(0.0035)
    ('812 mm', '1.81 m', '3.5 µm')
    >>> length_text(1012.6, figures=4), length_text(float("inf"))
    ('1.013 m', 'infinity')
    """
    if isinf(length_mm):
        return "infinity"
    size_mm = abs(length_mm if like_mm is None else like_mm)
    if size_mm >= 1000:
        return f"{figures_text(length_mm / 1000, figures)} m"
    if 0 < size_mm < 0.1:
        return f"{figures_text(length_mm * 1000, figures)} µm"
    return f"{figures_text(length_mm, figures)} mm"


def figures_text(value: float, figures: int = 3) -> str:
    """Write a number with so many figures that count, never in powers of ten.

    Examples
    --------
    >>> figures_text(0.012345), figures_text(188.4), figures_text(12345), figures_text(0)
    ('0.0123', '188', '12345', '0')
    """
    if not value:
        return "0"
    text = f"{value:.{max(0, figures - 1 - floor(log10(abs(value))))}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def overlap_text(aperture: AperturePlan) -> str:
    """Write how two neighbouring frames overlap where they overlap least."""
    if aperture.least_overlap >= 0:
        return f"overlap at least {aperture.least_overlap:.0%}"
    return f"gaps: steps up to {1 - aperture.least_overlap:.2f} depths of field"


def stops_text(stops: float) -> str:
    """Write a change of light, in thirds where it is whole thirds.

    Examples
    --------
    >>> stops_text(4 / 3), stops_text(-1 / 3), stops_text(-0.4691), stops_text(0)
    ('+1 1/3', '-1/3', '-0.47', '0')
    """
    thirds = round(stops * 3)
    if abs(stops * 3 - thirds) > _ROUNDING:
        return f"{stops:+.2f}"
    if thirds == 0:
        return "0"
    whole, rest = divmod(abs(thirds), 3)
    parts = [*([str(whole)] if whole else []), *([f"{rest}/3"] if rest else [])]
    return ("-" if thirds < 0 else "+") + " ".join(parts)


def time_text(time_s: float) -> str:
    """Write a duration.

    Examples
    --------
    >>> time_text(0.01), time_text(42.4), time_text(64.3), time_text(3725)
    ('less than 1 s', '42 s', '1 min 04 s', '1 h 02 min')
    """
    seconds = round(time_s)
    if seconds < 1:
        return "less than 1 s"
    if seconds < 60:
        return f"{seconds} s"
    minutes, seconds = divmod(seconds, 60)
    if minutes < 60:
        return f"{minutes} min {seconds:02d} s"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min"


def bytes_text(n_bytes: int) -> str:
    """Write an amount of data, decimal units.

    Examples
    --------
    >>> bytes_text(611_000_000), bytes_text(20_200_000_000)
    ('611 MB', '20.2 GB')
    """
    if n_bytes < 1e9:
        return f"{n_bytes / 1e6:.0f} MB"
    return f"{n_bytes / 1e9:.1f} GB"
