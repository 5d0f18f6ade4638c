"""What free texts in the records say about health: red flags, ill health, pregnancy, whether a harm is over.

People write as they speak. Where a text can be read in two ways, the way that keeps a client from training
is taken: a few words tell of an end, and any doubt beside them undoes it. The red flags are the usual
cautions, from memory; they clear nobody.
"""

from __future__ import annotations

import re

_RED_FLAG = re.compile(
    r"\b(?:faint|syncop|collaps|black(?:ed)?[ -]?out|pass(?:ed|es|ing) out|(?:un|lost |loss of )conscious"
    r"|dizz|giddy|light[ -]?headed|seizure|convuls|stroke\b|paralys|numb(?:ness)?\b|slurred"
    r"|rh?abdo|(?:muscle|muscular) break|break ?down of muscle|myoglobin|urine|kidney|renal"
    r"|heart|cardi|angina|palpitation|arr?h?ythm|headache|vision|visual|eyesight|blurr"
    r"|breathless|(?:short|shortness|out) of breath|dyspn|(?:difficulty|trouble|cannot|can't) breath"
    r"|swell|swollen|weakness|straighten|worse|severe|unbearable|blood|bleed|clots?\b|thrombo"
    r"|ruptur|fractur|dislocat|torn\b|tear\b|broken|hernia|pop\b"
    r"|fever|ill\b|illness|unwell|infect|flu\b|influenza|covid|over-?heat|heat\b|heat-?stroke|nause|vomit"
    r"|sick|death|died|fatal)",
    re.IGNORECASE,
)
_CHEST = re.compile(r"\bchest\b(?![ -]?(?:press|fl[yi]))", re.IGNORECASE)
_CHEST_TROUBLE = re.compile(
    r"\b(?:pain|pressure|tight|ach[eiy]|discomfort|heav|hurt|squeez|burn)", re.IGNORECASE
)
_ILL_HEALTH = re.compile(
    r"\b(?:injur|operat|surg|hospital|accident|medical|health|doctor|sprain|strain|pain)", re.IGNORECASE
)
_CARRYING = re.compile(
    r"\b(?:pregnan\w*|expecting (?:a |her )?(?:baby|child|twins)|trimester|ante-?natal|pre-?natal|maternity"
    r"|miscarr\w*)",
    re.IGNORECASE,
)
_BIRTH = re.compile(
    r"\b(?:post-?natal|post-?partum|childbirth|(?:gave|giving|after) birth"
    r"|(?<!by )(?<!her )(?<!the )(?<!a )(?<!an )(?:midwi[fv]e|obstetric))",
    re.IGNORECASE,
)
_NO_PREGNANCY = re.compile(
    r"\bnot pregnant\b(?! any ?(?:more|longer))|\bpregnan(?:t|cy)\s*[:=?]\s*no\b", re.IGNORECASE
)
_WITHOUT_TOUCH = re.compile(r"\bwithout (?:being )?touch", re.IGNORECASE)
_CLEARED = re.compile(r"\bcleared\b(?! up)", re.IGNORECASE)
_OVER = re.compile(
    r"\b(?:cleared|healed|recovered|resolved|settled|back to normal|(?:symptom|pain)[ -]free"
    r"|gone(?! (?:to|home|in|into|for|off|back|by|with)\b)|(?:is|was) over$)\b"
    r"|^over(?:$| (?:on|since|after)\b)",
    re.IGNORECASE,
)
_DOUBT = re.compile(
    r"\?|%|n't\b|\b(?:not|no|never|nothing|hardly|barely|un(?:known|resolved|healed|clear(?:ed)?|sure|der|til"
    r"|less)|on-?going|continu\w*|persist\w*|still|yet|partly|partial\w*|almost|nearly|mostly|largely|half"
    r"|per ?cent|wait\w*|await\w*|pending|expect\w*|should|will|would|maybe|may be|might|could|can|must"
    r"|needs?|to be|ha(?:s|ve) to|hop(?:e|es|ed|ing)|probabl\w*|likely|perhaps|possibl\w*|soon|before|if"
    r"|when|once|only|except|but|although|(?:it|pain|symptoms?|has|have|then) return\w*|came back|recur\w*"
    r"|relaps\w*|wors\w*|chronic|permanent\w*|lasting|remain\w*|so far|for now|refus\w*"
    r"|light(?:er|ly)?(?![ -]?headed))\b",
    re.IGNORECASE,
)


def is_red_flag(kind: str) -> bool:
    """Whether a kind of harm keeps a client from training whatever its grade.

    Examples
    --------
    >>> is_red_flag("Fainted after the last set"), is_red_flag("pressure in the chest")
    (True, True)
    >>> is_red_flag("muscle soreness, chest"), is_red_flag("joint ache at the chest press")
    (False, False)
    """
    return bool(_RED_FLAG.search(kind) or (_CHEST.search(kind) and _CHEST_TROUBLE.search(kind)))


def names_ill_health(text: str) -> bool:
    """Whether a reason speaks of illness, an injury or medical care.

    Examples
    --------
    >>> names_ill_health("knee surgery"), names_ill_health("holiday")
    (True, False)
    """
    return is_red_flag(text) or bool(_ILL_HEALTH.search(text))


def names_pregnancy(text: str) -> bool:
    """Whether a text speaks of a pregnancy, or of the time after birth.

    Examples
    --------
    >>> names_pregnancy("pregnant since May"), names_pregnancy("not pregnant")
    (True, False)
    """
    told = _NO_PREGNANCY.sub("", text)
    return bool(_CARRYING.search(told) or _BIRTH.search(told))


def is_cleared_after_pregnancy(text: str) -> bool:
    """Whether a text that names a pregnancy says after that, without a doubt, that the client was cleared.

    Examples
    --------
    >>> is_cleared_after_pregnancy("pregnancy; cleared by her midwife on 2 March")
    True
    >>> is_cleared_after_pregnancy("cleared in January, pregnant since May")
    False
    """
    after = _CARRYING.split(text)[-1]
    return bool(_CLEARED.search(after)) and not _DOUBT.search(after)


def is_over(outcome: str) -> bool:
    """Whether the outcome of a harm says, without a doubt beside it, that the harm is over.

    Examples
    --------
    >>> is_over("gone after 2 days"), is_over("recovered, cleared 2026-03-02")
    (True, True)
    >>> is_over(""), is_over("recovering"), is_over("not yet healed"), is_over("gone to hospital")
    (False, False, False, False)
    """
    return bool(_OVER.search(outcome.strip())) and not _DOUBT.search(outcome)


def says_without_touch(note: str) -> bool:
    """Whether a note says, without a doubt beside it, that a client trains without being touched.

    Examples
    --------
    >>> says_without_touch("trains without touch, agreed 2026-03-02"), says_without_touch("not without touch")
    (True, False)
    """
    return bool(_WITHOUT_TOUCH.search(note)) and not _DOUBT.search(note)
