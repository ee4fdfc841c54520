"""How it was done, in paragraphs for a paper or a talk, with references."""

from importlib.metadata import version

from dashboard.report.adjusted import AdjustedShown
from dashboard.report.shown import Findings
from warehouse.words.numbers import and_list, level_name

REFERENCES = (
    "von Elm E, Altman DG, Egger M, et al. The Strengthening the Reporting of Observational Studies in Epidemiology"
    " (STROBE) statement. Lancet 2007;370:1453–7.",
    "Wilson EB. Probable inference, the law of succession, and statistical inference. J Am Stat Assoc 1927;22:209–12.",
    "Newcombe RG. Two-sided confidence intervals for the single proportion: comparison of seven methods. Stat Med"
    " 1998;17:857–72.",
    "Newcombe RG. Interval estimation for the difference between independent proportions: comparison of eleven"
    " methods. Stat Med 1998;17:873–90.",
    "Manski CF. Partial identification of probability distributions. New York: Springer; 2003.",
    "Houston WJB. The analysis of errors in orthodontic measurements. Am J Orthod 1983;83:382–90.",
    "Fischetti M, Salazar JJ. Models and algorithms for optimizing cell suppression in tabular data with linear"
    " constraints. J Am Stat Assoc 2000;95:916–28.",
    "Mantel N, Haenszel W. Statistical aspects of the analysis of data from retrospective studies of disease. J Natl"
    " Cancer Inst 1959;22:719–48.",
    "Li F, Morgan KL, Zaslavsky AM. Balancing covariates via propensity score weighting. J Am Stat Assoc"
    " 2018;113:390–400.",
    "Firth D. Bias reduction of maximum likelihood estimates. Biometrika 1993;80:27–38.",
    "VanderWeele TJ, Ding P. Sensitivity analysis in observational research: introducing the E-value. Ann Intern Med"
    " 2017;167:268–74.",
)
"""Cited by number in :func:`methods`. Written from memory; say so wherever they are printed."""

CHECK_REFERENCES = "The references were written from memory: check them against the publications before printing."


_OF_ADJUSTED = 4  # the last of the references, cited where groups are compared adjusted for what was recorded


def references(found: Findings) -> tuple[str, ...]:
    """The references that the paragraphs cite."""
    return REFERENCES if _held_alike(found) else REFERENCES[:-_OF_ADJUSTED]


def methods(found: Findings) -> tuple[str, ...]:
    """The paragraphs, with the references cited by number in square brackets."""
    return tuple(text for text in (_design(found), _outcome(found), _statistics(found), _disclosure(found)) if text)


def _design(found: Findings) -> str:
    whose = "one practice" if found.n_practices == 1 else f"{found.n_practices} practices"
    return (
        f"This is an audit of past cases, reported with the items of STROBE in mind [1]. It takes in {found.cases} of"
        f" {whose}. Every case started is in the frame; a case is counted where the measure could be read at both times"
        " and the time"
        f" between the records is at least {found.definition.minimum_months:g} months. Cases whose outcome is due but"
        " not known are shown as missing, never as if nothing had happened to them."
    )


def _outcome(found: Findings) -> str:
    meant = found.definition
    sentence = f"{meant.sentence[:1].lower()}{meant.sentence[1:]}".rstrip(".")
    error = f" {found.change.error}" if found.change else ""
    return (
        f"A case was called adverse by definition {meant.name}, which never changes within a version: {sentence}."
        f" Where it comes from: {meant.source}. Ordinary growth: {found.growth_reference}. Measuring error is taken"
        f" from records read twice, as Dahlberg's error [6], and the least change beyond it as 1.96 times the root of 2"
        f" times that (MDC95).{error}"
    )


def _statistics(found: Findings) -> str:
    return (
        f"Shares carry a {level_name(found.level)} by Wilson's score method [2, 3]; the difference of two groups has"
        " Newcombe's interval [4]. The share is also given as if none, and as if all, of the missing had gone adverse"
        " [5], over a range of thresholds, and under other definitions. Mean changes carry Student's t interval."
        f" {_comparisons(found)}{_practices(found)} Intervals are not corrected for their number. The figures were"
        f" made with menton {version('menton')} from build {found.build}, published {found.published_at[:10]}."
    )


def _comparisons(found: Findings) -> str:
    """How groups were compared."""
    held = _held_alike(found)
    if not held:
        return "Groups are compared as found, without adjustment."
    alike = "; ".join(dict.fromkeys(and_list(one.adjusted_for) for one in held))
    return (
        "Groups are compared as found, and two of them adjusted for what was recorded"
        f" ({alike}): stratified after Mantel and Haenszel [8], standardised over a logistic model, and weighted by the"
        " propensity score, to the overlap of the groups [9] and by its inverse; the odds ratio is from a logistic"
        " model with Firth's penalty [10] or, for very many cases, without it. The E-value [11] says how strong"
        " something not recorded would have to be."
    )


def _practices(found: Findings) -> str:
    """How practices were put beside each other."""
    if found.beside is None:
        return ""
    return (
        " Practices stand in order of size. Their shares are pooled by a random-effects model of the counts"
        " (binomial-normal, averaged over the spread between practices), their mean changes by random effects (REML)"
        " with intervals after Hartung and Knapp; the limits of the funnel are exact binomial ones,"
        " widened for the spread between practices after Spiegelhalter."
    )


def _held_alike(found: Findings) -> list[AdjustedShown]:
    return [comparison.adjusted for comparison in found.comparisons if comparison.adjusted is not None]


def _disclosure(found: Findings) -> str:
    rule = found.policy
    if rule.hides_nothing:
        return ""
    return (
        f"Counts from 1 to {rule.minimum - 1} are hidden, and further counts are withheld until integer programming"
        " shows that no hidden count can be worked out from the rest of the document [7]; counts under other"
        f" definitions are rounded as well. A mean is given where it rests on at least {rule.mean_minimum} cases."
    )
