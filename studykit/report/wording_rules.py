"""The rules of wording as data: what each looks at, what breaks it, and what to write in its place.

Sources, all public: the American Statistical Association's statement on p-values (2016); SAMPL (2013);
CONSORT 2025 with its explanation, and CONSORT Harms 2022; the APA manual (7th edition); Altman & Bland
1995; Bland & Altman 2011; Hoenig & Heisey 2001; Wood et al. 2014; Greenland et al. 2016.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Section = Literal["", "headline", "baseline", "limits", "page"]
Scope = Literal["sentence", "paragraph", "text"]
Severity = Literal["error", "warn"]


@dataclass(frozen=True, slots=True)
class WordingContext:
    """Facts of the study that decide what may be said.

    Parameters
    ----------
    randomised : bool
        The draws exist and verify.
    analysed_as_allocated : bool
        Everyone allocated is in the main analysis and the handling of missing data is stated.
    inside_margin : bool
        An equivalence or non-inferiority framework, with the interval inside the margin.
    harms_systematic : bool
        Harms were asked about at every session.
    clusters : int
        Trainers, where trainers are the unit of allocation; else 0.
    primary : tuple of str
        Names of the outcomes that the locked protocol calls primary.
    smallest_arm : int
        Clients in the smallest arm.
    required_limits : tuple of str
        Sentences that the study's facts call for.
    looking_back : bool
        Attendance records without any allocation: associations only, and a randomised study is spoken of as
        one that could be run.
    """

    randomised: bool = True
    analysed_as_allocated: bool = True
    inside_margin: bool = False
    harms_systematic: bool = True
    clusters: int = 0
    primary: tuple[str, ...] = ()
    smallest_arm: int = 20
    required_limits: tuple[str, ...] = ()
    looking_back: bool = False


Broken = Callable[[str, WordingContext, Section], str]
"""Given a piece of text, the words that break the rule, or an empty text."""
Allowed = Callable[[str, WordingContext], bool]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule."""

    name: str
    scope: Scope
    broken: Broken
    todo: str
    severity: Severity = "error"


INTERVAL = re.compile(r"\[\s*[−\-+]?[\d.]|(interval|\bCIs?)( of| from|:|,| =)? ?\(?[−\-+]?\d")
_P = re.compile(r"\bp\s*[=<>]\s*0?\.\d")
_COUNT = re.compile(r"\b\d[\d ,]* of (the )?\d|\b\d+/\d+\b|\bn\s*=\s*\d")
_ABSOLUTE = re.compile(r"percentage points|\b\d[\d ,]* of \d|\b(days?|kg|lb|N|plates|clients)\b")


def _words(*alternatives: str) -> str:
    return "|".join(alternatives)


def _ban(*alternatives: str, unless: Allowed | None = None) -> Broken:
    compiled = re.compile(_words(*alternatives), re.IGNORECASE)

    def broken(text: str, context: WordingContext, _section: Section) -> str:
        match = compiled.search(text)
        return match.group(0) if match and not (unless and unless(text, context)) else ""

    return broken


def _holds(text: str, pattern: str) -> bool:
    return bool(re.search(pattern, text, re.IGNORECASE))


def _significance(text: str, _context: WordingContext, _section: Section) -> str:
    for match in re.finditer(r"(\w+\s+)?(in)?significan\w+", text, re.IGNORECASE):
        named = match.group(0).lower().startswith("statistically ")
        if not (named and INTERVAL.search(text) and _P.search(text)):
            return match.group(0)
    return ""


_VERDICT = r"baseline[^.]*\b(were|was|are|is) (well )?(balanced|matched|similar|comparable)"
_TESTED = r"\bp\s*[=<>]|\bp-values?\b|\bbalanced\b|well[- ]matched|t-test|chi-?squared"


def _baseline(text: str, _context: WordingContext, section: Section) -> str:
    match = re.search(_VERDICT, text, re.IGNORECASE)
    if match is None and section == "baseline":
        match = re.search(_TESTED, text)
    return match.group(0) if match else ""


_WITHIN = r"(from|since) baseline[^.;]*\bp\s*[=<>]|within[- ](the )?arm[^.;]*\bp\s*[=<>]"


def _within_arm(text: str, _context: WordingContext, _section: Section) -> str:
    alone = re.search(_WITHIN, text, re.IGNORECASE)
    if alone:
        return alone.group(0)
    split = re.search(r"\b(improved|gained|increased|rose)\b[^.]*\bdid not\b", text, re.IGNORECASE)
    return split.group(0) if split and not INTERVAL.search(text) else ""


_HYPOTHESIS = (
    r"null|hypothesis|line of no|if there (is|was|were)|whether|does not (mean|show)|not evidence|rather than"
)
_NOT_EXACT = _ban(
    r"(?-i:\bNS\b)|\bn\.s\.",
    r"\bp([- ]values?)?\s*(=|<|of|was|is)\s*0?\.0+(?![\d])",
    r"\bp\s*>\s*0?\.(05|01|1|10)\b",
    r"\d\s?\*{1,3}(?=[\s,;)]|$)",
)
_BELOW = r"\bp\s*<\s*0?\.(05|01|10?)(?!\d)"


def _exact_p(text: str, context: WordingContext, section: Section) -> str:
    match = re.search(_BELOW, text)
    if match and not _holds(text, r"\b(level|threshold|considered|taken|alpha|chosen|criterion)\b"):
        return match.group(0)
    return _NOT_EXACT(text, context, section)


_PER_CENT = r"\d[\d.,]*\s?(%|per ?cent\b)"
_OF_A_SHARE = (
    rf"\b(by|of|was|were|a|an) {_PER_CENT}[^.;\d]*\bfrom {_PER_CENT}[^.;\d]*\bto {_PER_CENT}"
    rf"|\bfrom {_PER_CENT}[^.;\d]*\bto {_PER_CENT}[^.;\d]*\b(by|of|a|an|increase|rise|fall|drop) {_PER_CENT}"
)


def _percent_of_percent(text: str, _context: WordingContext, _section: Section) -> str:
    match = re.search(_OF_A_SHARE, text, re.IGNORECASE)
    return match.group(0) if match and not _holds(text, r"percentage points?|interval|\bCIs?\b") else ""


_CAUSE = r"\b(caused?|causes|led to|leads to|improv(ed|es|ing)|reduc(ed|es|ing)|impacts?|effects? of|works)\b"


def _cause(text: str, context: WordingContext, _section: Section) -> str:
    match = re.search(_CAUSE, text, re.IGNORECASE)
    dose = _holds(text, r"\b(dose|adherence|attendance|attended more|fidelity)\b")
    return match.group(0) if match and (dose or not context.randomised) else ""


_MADE_TO_STAY = (
    r"partner reps[^.;]*\b(keeps?|kept|makes?|made|raise[sd]?|lower(s|ed)?|increase[sd]?|decrease[sd]?|"
    r"prevent(s|ed)?|help(s|ed)?|protect(s|ed)?|lengthen(s|ed)?)\b|"
    r"\b(because of|thanks to|owing to|due to|result of) partner reps"
)


def _association(text: str, context: WordingContext, _section: Section) -> str:
    match = re.search(_MADE_TO_STAY, text, re.IGNORECASE) if context.looking_back else None
    return match.group(0) if match and not _holds(text, r"\b(whether|cannot|nor|not)\b") else ""


def _called_randomised(text: str, context: WordingContext) -> bool:
    return context.randomised or (
        context.looking_back and _holds(text, r"\brandomised (study|trial|comparison|result)")
    )


def _primary(text: str, context: WordingContext, _section: Section) -> str:
    if not context.primary or not _holds(text, r"\(primary outcome\)|\bprimary (result|finding)\b"):
        return ""
    return "" if any(name.lower() in text.lower() for name in context.primary) else text


def _opening(text: str, context: WordingContext, section: Section) -> str:
    if section != "headline" or not context.primary:
        return ""
    first = re.split(r"(?<=[.!?])\s+(?=[A-Z])", text.strip())[0]
    named = any(name.lower() in first.lower() for name in context.primary)
    return "" if named and INTERVAL.search(first) else first


def _small_study(text: str, _context: WordingContext, section: Section) -> str:
    missing = section == "page" and not _holds(text, r"rule out neither")
    return "no sentence on a small study" if missing else ""


def _standardised(text: str, _context: WordingContext, _section: Section) -> str:
    match = re.search(r"\bstandardised (difference|size|effect|mean)[^.]*\d", text, re.IGNORECASE)
    if match is None:
        return ""
    own_unit_first = _holds(text[: match.start()], r"\d")
    return "" if own_unit_first and _holds(text, "standard deviation") else match.group(0)


def _ratio(text: str, _context: WordingContext, _section: Section) -> str:
    match = re.search(r"\b(hazard|risk|odds) ratio\b[^.]*\d", text, re.IGNORECASE)
    return match.group(0) if match and not _ABSOLUTE.search(text) else ""


_COUNTED = (
    "clients|sessions|sets|tests|participants|people|persons|patients|adults|women|men|students|athletes"
)


def _share(text: str, _context: WordingContext, _section: Section) -> str:
    match = re.search(rf"\d[\d.]*\s?%(?! (interval|CI|confidence))[^.;,\t]*\b({_COUNTED})\b", text)
    return match.group(0) if match and not _COUNT.search(text) else ""


def _counts_lead(text: str, context: WordingContext, _section: Section) -> str:
    match = re.search(r"\d[\d.]*\s?% \(\d+ of \d+\)", text)
    return match.group(0) if match and context.smallest_arm < 20 else ""


def _clusters(text: str, context: WordingContext, section: Section) -> str:
    if section != "headline" or not context.clusters:
        return ""
    told = _holds(text, rf"\b{context.clusters} trainers\b")
    return "" if told else f"no mention of {context.clusters} trainers"


_REACH = _words(
    r"\b(all|every|other|most) (studios?|gyms?)\b",
    r"\b(people|clients) in general\b",
    r"\b(everyone|trainers) should\b",
    r"\bin the population\b",
)


def _reach(text: str, _context: WordingContext, section: Section) -> str:
    match = None if section == "limits" else re.search(_REACH, text, re.IGNORECASE)
    return match.group(0) if match else ""


def _required(text: str, context: WordingContext, section: Section) -> str:
    if section not in {"limits", "page"}:
        return ""
    flat = _flat(text)
    return next((sentence for sentence in context.required_limits if _flat(sentence) not in flat), "")


def _flat(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").split())


RULES: tuple[Rule, ...] = (
    Rule(
        "significance",
        "sentence",
        _significance,
        "Write 'statistically significant', with estimate, interval and p in the same sentence.",
    ),
    Rule(
        "exact p",
        "sentence",
        _exact_p,
        "Give the exact p-value; below .001 write p < .001.",
    ),
    Rule(
        "near misses",
        "sentence",
        _ban(
            r"trend(ed|ing|s)? toward",
            r"approach(ed|es|ing) (statistical )?significance",
            r"\bborderline\b|\bmarginally\b",
            r"(almost|nearly|close to) (statistically )?significan",
            r"failed to reach",
        ),
        "Give estimate and interval; a near miss is a miss.",
    ),
    Rule(
        "absence of evidence",
        "sentence",
        _ban(
            r"\bno (statistically )?(significant )?(difference|effect)s?\b",
            r"equally (good|effective)|(?<!metabolic )\bequivalent\b(?! (to|of) \d)|\bas good as\b",
            r"\bdid not differ\b|\bmakes? no difference\b",
            unless=lambda text, context: context.inside_margin or _holds(text, _HYPOTHESIS),
        ),
        "Say what the interval still allows.",
    ),
    Rule("baseline without verdicts", "sentence", _baseline, "Describe the arms; test and judge nothing."),
    Rule(
        "no comparison within an arm",
        "sentence",
        _within_arm,
        "Give the difference between the arms with its interval.",
    ),
    Rule(
        "words of cause",
        "sentence",
        _cause,
        "Write 'was associated with', 'differed', 'was higher'; words of cause need a randomised contrast.",
    ),
    Rule(
        "associations only",
        "sentence",
        _association,
        "Write 'partner reps were associated with', 'differed', 'was higher among'.",
    ),
    Rule(
        "power afterwards",
        "sentence",
        _ban(r"\b(observed|achieved|post[- ]hoc) power\b"),
        "Give the interval; it says what the study could tell.",
    ),
    Rule(
        "underpowered",
        "sentence",
        _ban(r"\bunderpowered\b", unless=lambda text, _context: bool(INTERVAL.search(text))),
        "Give the interval in the same sentence.",
    ),
    Rule(
        "no labels for clients",
        "sentence",
        _ban(r"\b(non-?)?responders?\b"),
        "Do not label clients by one change score.",
    ),
    Rule(
        "as allocated",
        "sentence",
        _ban(r"intention[- ]to[- ]treat", unless=lambda _text, context: context.analysed_as_allocated),
        "Say 'analysed as allocated, available data'.",
    ),
    Rule(
        "randomised",
        "sentence",
        _ban(r"(?<!non-)(?<!not )(?<!re-)\brandomi[sz]ed\b", unless=_called_randomised),
        "Say 'non-randomised': the draws do not exist or do not verify.",
    ),
    Rule(
        "blinding by name",
        "sentence",
        _ban(r"\b(single|double|triple)[- ]blind(ed)?\b"),
        "Name who did not know the arm.",
    ),
    Rule("primary", "sentence", _primary, "Call primary only what the locked protocol calls primary."),
    Rule("opening", "text", _opening, "The first sentence gives the primary estimate and its interval."),
    Rule(
        "harms sought",
        "sentence",
        _ban(
            r"\bno (adverse events|harms?|injur(y|ies))\b|\bwithout (any )?(adverse events|harm)\b",
            unless=lambda _text, context: context.harms_systematic,
        ),
        "Say 'none recorded; harms were not asked about systematically'.",
    ),
    Rule("not safe", "sentence", _ban(r"\bsafe(ly|r)?\b"), "Say what was recorded and how it was sought."),
    Rule(
        "certainty",
        "sentence",
        _ban(
            r"\bprov(es?|ed|en|ing)\b|\bconfirms?\b|\bconfirmed that\b",
            r"\bdefinitive(ly)?\b|\bguarantee(d|s)?\b",
        ),
        "Say what was found and what remains possible.",
    ),
    Rule("small study", "text", _small_study, "Add the sentence on what a small study cannot rule out."),
    Rule(
        "standardised sizes",
        "paragraph",
        _standardised,
        "Original units first; name the standard deviation.",
    ),
    Rule(
        "ratio with absolute",
        "paragraph",
        _ratio,
        "Give the absolute difference or the counts beside the ratio.",
    ),
    Rule("per cent with counts", "sentence", _share, "Give the counts with the per cent."),
    Rule(
        "per cent of per cent",
        "sentence",
        _percent_of_percent,
        "A change between two shares is in percentage points.",
    ),
    Rule("counts lead", "sentence", _counts_lead, "In small arms write the counts first.", "warn"),
    Rule(
        "retention rate",
        "sentence",
        _ban(
            r"\bretention rate\b",
            unless=lambda text, _context: _holds(text, r"\b(day|week) \d") and bool(_COUNT.search(text)),
        ),
        "Name definition, horizon and denominator.",
    ),
    Rule("number of clusters", "text", _clusters, "The headline carries the number of trainers."),
    Rule("carry-over", "sentence", _ban(r"\bno carry-?over\b"), "A test cannot exclude carry-over."),
    Rule(
        "adjusted for what",
        "sentence",
        _ban(
            r"(?<!-)\badjusted\b(?! (R\b|p\b|by \w))",
            unless=lambda text, _context: _holds(text, r"\badjusted( \w+)? for \w"),
        ),
        "List what it is adjusted for.",
    ),
    Rule(
        "as planned where",
        "sentence",
        _ban(r"\bas planned\b", unless=lambda text, _context: "protocol" in text.lower()),
        "Point to the place in the protocol.",
    ),
    Rule("reach", "sentence", _reach, "Stay with this study's clients and trainers."),
    Rule("limits that must stand", "text", _required, "Print this sentence among the limits."),
    Rule(
        "what an interval is",
        "sentence",
        _ban(
            r"\d+\s?% (chance|probability|likelihood|certain\w*|sure|confident)\b",
            r"(chance|probability|likelihood) that the (true|real)",
            r"(due to|result of|down to) (chance|luck)",
        ),
        "An interval is the set of values that fit the data at its level.",
    ),
    Rule(
        "chosen afterwards",
        "sentence",
        _ban(
            r"\bsubgroups?\b|\bdichotomi[sz]ed\b",
            unless=lambda text, _context: _holds(text, r"exploratory|named in advance"),
        ),
        "Write 'exploratory' beside every mention.",
    ),
)

BETTER: dict[str, str] = {
    "significance": "The difference was statistically significant, 3.4 kg [0.2, 6.7] kg, p = .038.",
    "exact p": "Strength was 3.4 kg higher [−1.1, 7.9] kg, p = .14.",
    "near misses": "Strength was 3.4 kg higher [−0.2, 7.0] kg, p = .062.",
    "absence of evidence": "Anything from 1.2 kg less to 4.8 kg more fits these data.",
    "baseline without verdicts": "Table 1 describes the arms before allocation.",
    "no comparison within an arm": "Strength rose by 2.1 kg more with partner reps [−0.4, 4.6] kg, p = .10.",
    "words of cause": "Clients with partner reps were stronger by 3.4 kg [−1.1, 7.9] kg.",
    "associations only": "Partner reps were associated with more days at the studio.",
    "power afterwards": "The interval [−1.2, 4.8] kg shows what the study could tell.",
    "underpowered": "The study was underpowered for 2 kg: the interval is [−1.2, 4.8] kg.",
    "no labels for clients": "Gains of single clients ranged from −4 to 12 kg, retest error included.",
    "as allocated": "Clients were analysed as allocated, with available data.",
    "randomised": "Clients chose between two ways of training.",
    "blinding by name": "The assessor did not know the arm; clients and trainers did.",
    "primary": "Strength at week 12 (primary outcome) was 3.4 kg higher [−1.1, 7.9] kg.",
    "harms sought": "None recorded; harms were not asked about systematically.",
    "not safe": "Harms were asked about at each of 400 sessions; 7 of 36 clients had one.",
    "certainty": "Strength was 3.4 kg higher [0.2, 6.7] kg; a trivial gain remains possible.",
    "standardised sizes": (
        "Strength was 3.4 kg higher [0.2, 6.7] kg, a standardised difference of 0.21 over the standard "
        "deviation before allocation."
    ),
    "ratio with absolute": "The risk ratio was 0.80 [0.55, 1.16]; 12 of 36 clients left against 15 of 36.",
    "per cent with counts": "27 of 36 clients (75 %) came to the last test.",
    "per cent of per cent": "The share rose from 60 % to 72 %, by 12 percentage points.",
    "counts lead": "27 of 36 (75 %) came to the last test.",
    "retention rate": "On day 182, 27 of 36 clients (75 %) still trained at the studio.",
    "carry-over": "Four weeks lay between the periods; a test cannot exclude carry-over.",
    "adjusted for what": "The difference, adjusted for strength at baseline, was 3.4 kg [0.2, 6.7] kg.",
    "as planned where": "Tests were done at week 12, as planned in the protocol (section 4.2).",
    "reach": "Among the clients and trainers of this studio, strength was 3.4 kg higher [0.2, 6.7] kg.",
    "what an interval is": "Values from 0.2 to 6.7 kg fit the data at the 95 % level.",
    "chosen afterwards": "In an exploratory subgroup of women, strength was 4.1 kg higher [−0.9, 9.1] kg.",
}
"""For every rule that a text of one's own can break, a sentence that keeps it; its numbers are invented."""
