"""What no text of the program may claim: that work is authorised, or that a stop is isolation.

The program watches from afar. It cannot know whether a machine is safe to work on, and a remote
stop is a control-circuit device, never an energy-isolating one (29 CFR 1910.147(b)). So no mail,
sheet or message may say, or seem to say, otherwise. A test asks this of every text that goes out.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

__all__ = ["claims"]

_WORK: Final = (
    r"(?:work|works|working|begin|start|proceed|open|enter|touch|go ahead|repair|service)"
)
_TEXT: Final = r"(?:mail|e-mail|text|sheet|ticket|list|message|notice|page|link|acknowledgement)"
_SOFT_STOP: Final = (
    r"(?:remote(?:ly)? (?:stop|stopped|command|off|shut ?down)|stop command|stop(?:ped)? from afar|"
    r"software|controller|gateway|basinward|selector|push ?button|emergency stop|e-stop|interlock)"
)
_SAFE: Final = r"(?:isolat\w+|lock(?:ed)?[ -]?out|de-?energi[sz]\w+|safe to \w+)"

_UNLESS_DENIED: Final = tuple(
    re.compile(pattern, re.IGNORECASE)
    for pattern in (
        rf"\b(?:is|are|you may be|hereby) (?:hereby |now )?(?:authori[sz]ed|cleared|permitted) "
        rf"(?:to|for) (?:\w+ ){{0,2}}{_WORK}\b",
        r"\bwork (?:is|has been) (?:hereby |now )?(?:authori[sz]ed|approved|permitted|released)\b",
        rf"\b(?:this|the) {_TEXT} (?:hereby )?(?:authori[sz]es|permits|allows|clears|releases)\b",
        r"\b(?:is|are|counts as|serves as|acts as|replaces) (?:a|an|the|your) (?:work )?permit\b",
        r"\bpermission (?:\w+ ){0,3}(?:is|has been) (?:hereby )?(?:given|granted)\b",
        r"\byou (?:may|can) (?:now |safely )+(?:work|begin|start|open|enter|touch|proceed)\b",
        rf"\b(?:is|are) (?:now )?safe to {_WORK}\b",
        rf"\b{_SOFT_STOP}\b[^.;:]{{0,60}}\b(?:is|are|means|counts as|serves as|gives|provides|"
        rf"replaces|is enough for|suffices for|will) (?:\w+ ){{0,2}}{_SAFE}",
        rf"\b{_SAFE} (?:\w+ ){{0,2}}(?:remotely|from afar|by (?:a |the |this )?{_SOFT_STOP})\b",
        r"\b(?:basinward|the gateway|the program|this software) (?:has |will )?(?:stopped|stops?|"
        r"isolated?s?|locked|locks?|switched off|de-?energi[sz]e[ds]?)\b",
        r"\b(?:is|are|was|were|been) already (?:isolated|locked|de-?energi[sz]ed|made safe)\b",
    )
)
_ALWAYS: Final = tuple(
    re.compile(pattern, re.IGNORECASE)
    for pattern in (
        r"\b(?:no need|need not|not necessary|unnecessary|not required|not needed|do not need)"
        r"(?: to| for)? (?:be )?(?:\w+ ){0,2}(?:isolat\w+|lock\w*|tag\w*)\b",
        r"\b(?:isolation|locking|lock-?out|tag-?out) (?:is|are) (?:not (?:needed|required|"
        r"necessary)|unnecessary|optional)\b",
    )
)
_DENIED: Final = re.compile(
    r"\b(?:not|no|never|nobody|nothing|none|neither|cannot|only|until|unless|before|whether)\b|n't\b",
    re.IGNORECASE,
)
_SENTENCE_END: Final = re.compile(r"(?<=[.;:!?])\s+")


@lru_cache(maxsize=4_096)  # the texts of a large fleet's isolation points are few
def claims(text: str) -> tuple[str, ...]:
    """The sentences of ``text`` that claim what no text may, empty if there is none.

    A sentence that denies before it says ('this does not authorise …') is none.
    """
    found = []
    for sentence in _SENTENCE_END.split(" ".join(text.split())):
        hits = [match for p in _UNLESS_DENIED if (match := p.search(sentence))]
        claimed = any(not _DENIED.search(sentence[: hit.end()]) for hit in hits)
        if claimed or any(p.search(sentence) for p in _ALWAYS):
            found.append(sentence)
    return tuple(found)
