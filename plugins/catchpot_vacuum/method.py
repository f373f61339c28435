"""How leaks and forecasts are worked out, as the page says it, and the sources."""

from __future__ import annotations

METHOD = (
    "Clamp channel and cavity are two gas volumes; with the lines shut, or between a pump's top-ups, each rises by "
    "what leaks in. A straight line and a line with a saturating part (outgassing, gas warming up) are fitted and "
    "weighed by evidence; an outgassing much slower than the hold can't be told from a leak. Leaks are restated to "
    "clamp 50, cavity 550 and ambient 1013 mbar under a linear, a laminar and a choked law, and what the laws "
    "differ by is in the interval. Outer and inner seal are told apart only by holds at two cavity pressures; that "
    "the outer seal is squeezed less with the cavity open is in the interval. A forecast fits no wear, even growth,"
    " growth that slows down or speeds up, starts late, evenly or as a flaw that grows, or feeds on itself, with "
    "and without a floor, with noise that may last from shot to shot and curves that may wander, and weighs them by"
    " evidence; it says when the fitted curve meets the limit, with 80 %. Since a date is given only where wear "
    "shows, growth so slow that it would seldom show has the more weight, and middle and ends of the interval are "
    "set by simulation. Where this workshop's past forecasts held too seldom, intervals are widened until they "
    "would have held, and the forecast says so. A seal that the holds can't tell from the other has no date of its "
    "own."
)
REFERENCES = (
    "W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data, 1998 (degradation).",
    "E. L. Kaplan and P. Meier, J. Am. Stat. Assoc. 53 (1958) 457 (lives, some of them censored).",
    "J. J. Heckman, Econometrica 47 (1979) 153 (what is seen only where it shows).",
    "R. Beran, J. Am. Stat. Assoc. 85 (1990) 715 (calibrating prediction intervals).",
    "R. DerSimonian and N. Laird, Controlled Clinical Trials 7 (1986) 177 (pooling of few units).",
)
