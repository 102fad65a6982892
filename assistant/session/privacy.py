"""What of the people's speech is kept: the answer to a question that was just asked, or a command.

Anything else heard (talk with the customer, the radio) is only counted: neither its sound nor its words are kept.
The dialogue is then told that something was said that it could not understand, which is all that it needs.
"""

from __future__ import annotations

from assistant.dialogue.state import Phase
from assistant.language.heard import NOT_WORDS, Heard
from assistant.language.meaning import Meaning, Unclear

FREE_SPEECH = frozenset(
    {Phase.REASON, Phase.NOTING, Phase.CLEARING, Phase.MISSED, Phase.REPAIR, Phase.TELLING, Phase.FOLLOW_UP}
)
"""Where whatever is said is the answer: a reason, a note, a name, a repair."""

QUESTIONS = frozenset(
    {
        *(Phase.ASKING, Phase.WORKING, Phase.CONFIRMING, Phase.PROPOSING, Phase.TIMED, Phase.REPAIRED, Phase.CLEARED),
        *(Phase.DECIDING, Phase.SHUTTING, Phase.SHUT, Phase.PROVING),
    }
)
"""Where a question stands, so that a reading said now is an answer to it, if a wrong one."""

NO_QUESTION = frozenset({Phase.WARNING, Phase.HOLDING, Phase.BARRED, Phase.EMERGENCY, Phase.CLOSED})
"""Where only commands count."""


def keeps(phase: Phase, meaning: Meaning) -> bool:
    """Whether what was heard in `phase` is kept."""
    if not isinstance(meaning, Unclear):
        return True
    if meaning.reason == "silence":
        return False
    if phase in FREE_SPEECH or meaning.near:
        return True
    if meaning.reason == "not-asked":
        return phase in QUESTIONS
    return meaning.reason != "not-understood"


def redacted(heard: Heard) -> Heard:
    """What is kept of words that are not: that there were some."""
    return Heard(NOT_WORDS if heard.text else "")
