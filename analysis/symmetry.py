"""Left against right: degrees first, a percentage only where both sides rise above measurement error.

A percentage explodes for small angles and its cut-offs of 10-15 % are conventions, not harm thresholds,
so this module never judges by one.
"""

import math

from analysis.records import SideComparison


def robinson_index_pct(left: float, right: float) -> float:
    """Robinson's symmetry index [%]: the difference as a share of the mean; + means right is larger.

    SI = (XR - XL) / (0.5 (XR + XL)) x 100, for two positive amounts; NaN where their sum is 0.
    """
    mean = (left + right) / 2
    return math.nan if mean == 0 else (right - left) / mean * 100


def symmetry_angle_pct(left: float, right: float) -> float:
    """Symmetry angle of Zifchock 2008 [%]: 0 is equal, +-100 equal and opposite; + means right is larger.

    SA = (45 deg - arctan(XL / XR)) / 90 x 100, needing no reference side. It is about a third of
    Robinson's index for small differences, so the two never share a cut-off. NaN where both are 0.
    """
    if left == 0 and right == 0:
        return math.nan
    angle = math.degrees(math.atan(left / right)) if right != 0 else math.copysign(90.0, left)
    from_equal = 45 - angle
    return (from_equal - 180 if from_equal > 90 else from_equal) / 90 * 100


def compare_sides(left: float | None, right: float | None, uncertainty: float | None) -> SideComparison:
    """Compare one measure of the two sides, in the measure's own unit.

    `uncertainty` is the 95 % half-width of the difference, which is right minus left, as in Robinson's
    index. `beyond_error` is true only where the difference is larger than that; an unknown error never
    counts. The percentage is given only where both sides exceed it. Missing is None or NaN.
    """
    xl, xr, error = (math.nan if x is None else x for x in (left, right, uncertainty))
    # Comparisons with NaN are false: whatever is not known is neither a difference nor a percentage.
    percent_means_something = min(abs(xl), abs(xr)) > error and xl * xr > 0
    return SideComparison(
        left=xl,
        right=xr,
        difference=xr - xl,
        uncertainty=error,
        symmetry_index_pct=robinson_index_pct(xl, xr) if percent_means_something else None,
        beyond_error=abs(xr - xl) > error,
    )
