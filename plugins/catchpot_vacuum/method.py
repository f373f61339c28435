"""How leaks and forecasts are worked out, as the page says it, and the sources."""

from __future__ import annotations

METHOD = (
    "Clamp channel and cavity are two gas volumes; with the lines shut, or between a pump's top-ups, each rises by "
    "what leaks in. A straight line and a line with a saturating part (outgassing, gas warming up) are fitted and "
    "weighed by evidence; an outgassing much slower than the hold can't be told from a leak. Leaks are restated to "
    "clamp 50, cavity 550 and ambient 1013 mbar under a linear, a laminar and a choked law, and what the laws differ "
    "by is in the interval. Outer and inner seal are told apart only by holds at two cavity pressures; that the outer "
    "seal is squeezed less with the cavity open is in the interval. A forecast fits no wear, linear and proportional "
    "growth, each with and without a floor, with noise that may last from shot to shot, and weighs them by evidence; "
    "it says when the fitted curve meets the limit, with 80 %. Since a date is given only where wear shows, growth so "
    "slow that it would seldom show has the more weight, and the ends of the interval are set by simulation. Wear that "
    "slows down, or begins only after a while, is forecast too early."
)
REFERENCES = (
    "W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data, 1998 (degradation).",
    "E. L. Kaplan and P. Meier, J. Am. Stat. Assoc. 53 (1958) 457 (lives, some of them censored).",
    "J. J. Heckman, Econometrica 47 (1979) 153 (what is seen only where it shows).",
    "R. Beran, J. Am. Stat. Assoc. 85 (1990) 715 (calibrating prediction intervals).",
    "R. DerSimonian and N. Laird, Controlled Clinical Trials 7 (1986) 177 (pooling of few units).",
)
