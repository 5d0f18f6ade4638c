"""Rules for the words of a report, as tests that a program can run over any text.

The sources are public: the American Statistical Association's statement on p-values (2016), SAMPL
(2013), CONSORT 2025 and its explanation, the APA manual, and the papers named at each rule. A rule
looks at a sentence, a paragraph or a section; it cannot understand, so a clean text is not yet a
good one.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

Section = Literal["", "headline", "baseline", "limits", "page"]


@dataclass(frozen=True, slots=True)
class WordingFinding:
    """One place in a text that breaks a rule.

    Parameters
    ----------
    rule : str
        Name of the rule.
    severity : {"error", "warn"}
    found : str
        The words, or the sentence that lacks something.
    todo : str
    """

    rule: str
    severity: Literal["error", "warn"]
    found: str
    todo: str


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
    clusters : int
        Trainers, where trainers are the unit of allocation; else 0.
    primary : tuple of str
        Names of the outcomes that the locked protocol calls primary.
    smallest_arm : int
        Clients in the smallest arm.
    required_limits : tuple of str
        Sentences that the study's facts call for.
    """

    randomised: bool = True
    analysed_as_allocated: bool = True
    inside_margin: bool = False
    harms_systematic: bool = True
    clusters: int = 0
    primary: tuple[str, ...] = ()
    smallest_arm: int = 20
    required_limits: tuple[str, ...] = ()


Scope = Literal["sentence", "paragraph", "text"]
Fits = Callable[[str, WordingContext, Section], str]
"""Given a piece of text, the words that break the rule, or an empty text."""


@dataclass(frozen=True, slots=True)
class _Rule:
    name: str
    scope: Scope
    broken: Fits
    todo: str
    severity: Literal["error", "warn"] = "error"


_INTERVAL = re.compile(r"\[\s*[−\-+]?[\d.]|interval (of|from) [−\-+]?\d")
_P = re.compile(r"\bp\s*[=<>]\s*0?\.\d")
_NUMBER = re.compile(r"\d")
_COUNT = re.compile(r"\b\d[\d ,]* of \d")
_ABSOLUTE = re.compile(
    r"percentage points|\b\d[\d ,]* of \d|\bdays?\b|\bkg\b|\blb\b|\bN\b|\bplates\b|\bclients\b", re.IGNORECASE
)


def _ban(pattern: str) -> Fits:
    compiled = re.compile(pattern, re.IGNORECASE)

    def broken(text: str, _context: WordingContext, _section: Section) -> str:
        match = compiled.search(text)
        return match.group(0) if match else ""

    return broken


def _ban_unless(pattern: str, allowed: Callable[[str, WordingContext, Section], bool]) -> Fits:
    compiled = re.compile(pattern, re.IGNORECASE)

    def broken(text: str, context: WordingContext, section: Section) -> str:
        match = compiled.search(text)
        return match.group(0) if match and not allowed(text, context, section) else ""

    return broken


def _significance(text: str, _context: WordingContext, _section: Section) -> str:
    for match in re.finditer(r"(\w+\s+)?(in)?significan\w+", text, re.IGNORECASE):
        named = match.group(0).lower().startswith("statistically ")
        if not (named and _INTERVAL.search(text) and _P.search(text) and _NUMBER.search(text)):
            return match.group(0)
    return ""


def _baseline(text: str, _context: WordingContext, section: Section) -> str:
    verdict = re.search(
        r"baseline[^.]*\b(were|was|are|is) (well )?(balanced|matched|similar|comparable)", text, re.IGNORECASE
    )
    if verdict:
        return verdict.group(0)
    if section != "baseline":
        return ""
    match = re.search(
        r"\bp\s*[=<>]|\bp-values?\b(?! are not)|\bbalanced\b|well[- ]matched|t-test|chi-?squared", text
    )
    return match.group(0) if match else ""


def _within_arm(text: str, _context: WordingContext, _section: Section) -> str:
    alone = re.search(
        r"(from|since) baseline[^.;]*\bp\s*[=<>]|within[- ](the )?arm[^.;]*\bp\s*[=<>]", text, re.IGNORECASE
    )
    if alone:
        return alone.group(0)
    split = re.search(r"\b(improved|gained|increased|rose)\b[^.]*\bdid not\b", text, re.IGNORECASE)
    return split.group(0) if split and not _INTERVAL.search(text) else ""


def _effect_words(text: str, context: WordingContext, _section: Section) -> str:
    words = (
        r"\b(caused?|causes|led to|leads to|improv(ed|es|ing)|reduc(ed|es|ing)|impacts?|effects? of|works)\b"
    )
    match = re.search(words, text, re.IGNORECASE)
    if not match:
        return ""
    dose = re.search(r"\b(dose|adherence|attendance|attended more|fidelity)\b", text, re.IGNORECASE)
    return match.group(0) if not context.randomised or dose else ""


def _primary(text: str, context: WordingContext, _section: Section) -> str:
    if not context.primary or not re.search(r"\(primary outcome\)|\bprimary (result|finding)\b", text):
        return ""
    return "" if any(name.lower() in text.lower() for name in context.primary) else text


def _opening(text: str, context: WordingContext, section: Section) -> str:
    if section != "headline" or not context.primary:
        return ""
    first = next(_sentences(text), "")
    named = any(name.lower() in first.lower() for name in context.primary)
    return "" if named and _INTERVAL.search(first) else first


def _small_study(text: str, _context: WordingContext, section: Section) -> str:
    if section != "page":
        return ""
    return (
        "" if re.search(r"small study[^.]*neither", text, re.IGNORECASE) else "no sentence on a small study"
    )


def _standardised(text: str, _context: WordingContext, _section: Section) -> str:
    match = re.search(r"\bstandardised (difference|size|effect|mean)[^.]*\d", text, re.IGNORECASE)
    if not match:
        return ""
    named = re.search(r"standard deviation", text, re.IGNORECASE)
    before = re.search(r"\d", text[: match.start()])
    return "" if named and before else match.group(0)


def _ratio(text: str, _context: WordingContext, _section: Section) -> str:
    match = re.search(r"\b(hazard|risk|odds) ratio\b[^.]*\d", text, re.IGNORECASE)
    return match.group(0) if match and not _ABSOLUTE.search(text) else ""


def _share(text: str, _context: WordingContext, _section: Section) -> str:
    match = re.search(
        r"\d[\d.]*\s?%(?! (confidence )?interval)[^.;,]*\b(clients|sessions|sets|tests)\b", text
    )
    return match.group(0) if match and not _COUNT.search(text) else ""


def _counts_lead(text: str, context: WordingContext, _section: Section) -> str:
    match = re.search(r"\d[\d.]*\s?% \(\d+ of \d+\)", text)
    return match.group(0) if match and context.smallest_arm < 20 else ""


def _clusters(text: str, context: WordingContext, section: Section) -> str:
    if section != "headline" or not context.clusters:
        return ""
    return (
        ""
        if re.search(rf"\b{context.clusters} trainers\b", text)
        else f"no mention of {context.clusters} trainers"
    )


def _reach(text: str, _context: WordingContext, section: Section) -> str:
    if section == "limits":
        return ""
    match = re.search(
        r"\b(all|every|other|most) (studios?|gyms?|trainers everywhere)\b|\bpeople in general\b|\bclients in general\b"
        r"|\beveryone should\b|\btrainers should\b|\bin the population\b",
        text,
        re.IGNORECASE,
    )
    return match.group(0) if match else ""


def _required(text: str, context: WordingContext, section: Section) -> str:
    if section not in {"limits", "page"}:
        return ""
    flat = _flat(text)
    return next((sentence for sentence in context.required_limits if _flat(sentence) not in flat), "")


def _flat(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").split())


_RULES: tuple[_Rule, ...] = (
    _Rule("significance", "sentence", _significance,
          "Write 'statistically significant', with estimate, interval and p in the same sentence."),
    _Rule("exact p", "sentence", _ban(r"\bNS\b|\bn\.s\.|p\s*=\s*0?\.0{2,}(?!\d)|p\s*>\s*0?\.(05|1|10)\b|\d\s?\*{1,3}(?=[\s,;)]|$)"),
          "Give the exact p-value."),
    _Rule("near misses", "sentence",
          _ban(r"trend(ed|ing|s)? toward|approach(ed|es|ing) (statistical )?significance|\bborderline\b|\bmarginally\b"
               r"|(almost|nearly|close to) (statistically )?significan|failed to reach"),
          "Give estimate and interval; a near miss is a miss."),
    _Rule("absence of evidence", "sentence",
          _ban_unless(r"\bno (statistically )?(significant )?(difference|effect)s?\b|equally (good|effective)|\bequivalent\b"
                      r"|\bdid not differ\b|\bas good as\b|\bmakes? no difference\b",
                      lambda _text, context, _section: context.inside_margin),
          "Say what the interval still allows."),
    _Rule("baseline without verdicts", "sentence", _baseline, "Describe the arms; test and judge nothing."),
    _Rule("no comparison within an arm", "sentence", _within_arm, "Give the difference between the arms with its interval."),
    _Rule("words of cause", "sentence", _effect_words,
          "Use 'was associated with', 'differed', 'was higher'; words of cause need a randomised contrast."),
    _Rule("power afterwards", "sentence",
          _ban_unless(r"\b(observed|achieved|post[- ]hoc) power\b|\bunderpowered\b",
                      lambda text, _context, _section: "underpowered" in text.lower()
                      and not re.search(r"(observed|achieved|post[- ]hoc) power", text, re.IGNORECASE)
                      and bool(_INTERVAL.search(text))),
          "Give the interval; it says what the study could tell."),
    _Rule("no labels for clients", "sentence", _ban(r"\b(non-?)?responders?\b"), "Do not label clients by one change score."),
    _Rule("as allocated", "sentence",
          _ban_unless(r"intention[- ]to[- ]treat", lambda _text, context, _section: context.analysed_as_allocated),
          "Say 'analysed as allocated, available data'."),
    _Rule("randomised", "sentence",
          _ban_unless(r"(?<!non-)(?<!not )(?<!re-)\brandomi[sz]ed\b", lambda _text, context, _section: context.randomised),
          "Say 'non-randomised': the draws do not exist or do not verify."),
    _Rule("blinding by name", "sentence", _ban(r"\b(single|double|triple)[- ]blind(ed)?\b"), "Name who did not know the arm."),
    _Rule("primary", "sentence", _primary, "Call primary only what the locked protocol calls primary."),
    _Rule("opening", "text", _opening, "The first sentence gives the primary estimate and its interval."),
    _Rule("harms sought", "sentence",
          _ban_unless(r"\bno (adverse events|harms?|injur(y|ies))\b|\bwithout (any )?(adverse events|harm)\b",
                      lambda _text, context, _section: context.harms_systematic),
          "Say 'none recorded; harms were not asked about systematically'."),
    _Rule("not safe", "sentence", _ban(r"\bsafe(ly|r)?\b"), "Say what was recorded and how it was sought."),
    _Rule("certainty", "sentence", _ban(r"\bprov(es?|ed|en|ing)\b|\bconfirms?\b|\bconfirmed that\b|\bdefinitive(ly)?\b|\bguarantee(d|s)?\b"),
          "Say what was found and what remains possible."),
    _Rule("small study", "text", _small_study, "Add the sentence on what a small study cannot rule out."),
    _Rule("standardised sizes", "paragraph", _standardised, "Original units first; name the standard deviation."),
    _Rule("ratio with absolute", "paragraph", _ratio, "Give the absolute difference or the counts beside the ratio."),
    _Rule("per cent with counts", "sentence", _share, "Give the counts with the per cent."),
    _Rule("counts lead", "sentence", _counts_lead, "In small arms write the counts first.", "warn"),
    _Rule("retention rate", "sentence",
          _ban_unless(r"\bretention rate\b",
                      lambda text, _context, _section: bool(re.search(r"\bday \d|\bweek \d", text) and _COUNT.search(text))),
          "Name definition, horizon and denominator."),
    _Rule("number of clusters", "text", _clusters, "The headline carries the number of trainers."),
    _Rule("carry-over", "sentence", _ban(r"\bno carry-?over\b"), "A test cannot exclude carry-over."),
    _Rule("adjusted for what", "sentence",
          _ban_unless(r"\badjusted\b(?! p\b)", lambda text, _context, _section: bool(re.search(r"\badjusted (mean \w+ )?for \w", text, re.IGNORECASE))),
          "List what it is adjusted for."),
    _Rule("as planned where", "sentence",
          _ban_unless(r"\bas planned\b", lambda text, _context, _section: "protocol" in text.lower()),
          "Point to the place in the protocol."),
    _Rule("reach", "sentence", _reach, "Stay with this study's clients and trainers."),
    _Rule("limits that must stand", "text", _required, "Print this sentence among the limits."),
    _Rule("what an interval is", "sentence",
          _ban(r"\d+\s?% (chance|probability|likelihood|certain\w*|sure|confident)\b|(chance|probability|likelihood) that the (true|real)"
               r"|(due to|result of|down to) (chance|luck)"),
          "An interval is the set of values that fit the data at its level."),
    _Rule("chosen afterwards", "sentence",
          _ban_unless(r"\bsubgroups?\b|\bdichotomi[sz]ed\b",
                      lambda text, _context, _section: bool(re.search(r"exploratory|named in advance|none|not done", text, re.IGNORECASE))),
          "Write 'exploratory' beside every mention."),
)  # fmt: skip


def check_wording(
    text: str, *, context: WordingContext | None = None, section: Section = ""
) -> tuple[WordingFinding, ...]:
    """Hold a text to the rules of wording.

    Parameters
    ----------
    text : str
        Plain text; paragraphs are separated by line breaks. See `text_of` for a page.
    context : WordingContext, optional
        Facts of the study; by default a randomised, systematically followed study.
    section : str
        ``"headline"``, ``"baseline"``, ``"limits"`` or ``"page"`` switch on the rules for that part.

    Examples
    --------
    >>> [finding.rule for finding in check_wording("The result was significant (p = .03).")]
    ['significance']
    >>> check_wording("Strength was 3.4 % higher with partner reps [−1.2, 8.3] %, p = .14.")
    ()
    """
    facts = context or WordingContext()
    findings = []
    for rule in _RULES:
        for piece in _pieces(text, rule.scope):
            found = rule.broken(piece, facts, section)
            if found:
                findings.append(WordingFinding(rule.name, rule.severity, found, rule.todo))
    return tuple(findings)


def _pieces(text: str, scope: Scope) -> Iterator[str]:
    if scope == "text":
        yield text
    elif scope == "paragraph":
        yield from _paragraphs(text)
    else:
        yield from _sentences(text)


def _paragraphs(text: str) -> Iterator[str]:
    for line in text.splitlines():
        if line.strip():
            yield line.strip()


def _sentences(text: str) -> Iterator[str]:
    for paragraph in _paragraphs(text):
        yield from re.split(r"(?<=[.!?])\s+(?=[A-Z“\"])", paragraph)


_BLOCKS = re.compile(
    r"</?(p|div|section|h[1-6]|li|ul|ol|tr|table|thead|tbody|figure|figcaption|caption|dt|dd|header|footer|title)\b[^>]*>"
)


def text_of(page: str) -> str:
    r"""The words of an HTML page, one block a line; table cells are separated by two spaces.

    Examples
    --------
    >>> text_of("<p>a &amp; b</p><table><tr><td>1</td><td>2</td></tr></table>")
    'a & b\n1  2'
    """
    body = re.sub(r"<(style|script|svg)\b.*?</\1>", " ", page, flags=re.DOTALL)
    body = re.sub(r"\s+", " ", body)
    body = _BLOCKS.sub("\n", body)
    body = re.sub(r"</t[dh]>", "  ", body)
    lines = (html.unescape(re.sub(r"<[^>]+>", "", line)).strip() for line in body.split("\n"))
    return "\n".join(line for line in lines if line)
