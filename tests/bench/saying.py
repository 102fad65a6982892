"""Values said by the bundled voice and heard again by the bundled model: how many come back as they were.

    python tests/bench/saying.py

For each quantity some values within its instrument's span, in quiet; prints what did not come back.
"""

from __future__ import annotations

import tempfile
from decimal import Decimal
from pathlib import Path
from random import Random

from assistant.files import library, top_folder
from assistant.language.meaning import Question, Reading
from assistant.language.phrases import Expected
from assistant.language.spoken import spoken_value
from assistant.speech.audio import resample
from assistant.speech.ears import hear_whole
from assistant.speech.recognizer import VoskRecognizer
from assistant.speech.voice import Voice

EACH = 4  # values for each quantity
HIGHEST = 600  # most readings of the trade are below


def main() -> None:
    """Runs the bench."""
    shelf, draw = library(), Random(3)
    recognizer = VoskRecognizer(top_folder("models_manifest") / "field_model")
    came_back = total = 0
    with tempfile.TemporaryDirectory() as folder, Voice(Path(folder)) as voice:
        for quantity in shelf.quantities.values():
            question = Question(quantity.name, quantity)
            expected = Expected(shelf.language, question)
            for _ in range(EACH):
                low, high = max(float(quantity.low), 0.0), min(float(quantity.high), HIGHEST)
                value = Decimal(str(draw.uniform(low, high))).quantize(quantity.resolution)
                said = spoken_value(value, quantity.unit)
                heard, _ = hear_whole(recognizer, resample(voice.render(said), recognizer.rate_hz), expected)
                meaning = shelf.language.understand(heard.text, question)
                total += 1
                if isinstance(meaning, Reading) and meaning.value == value:
                    came_back += 1
                else:
                    print(f"{quantity.name}: said {said!r}, heard {heard.text!r}")
    print(f"{came_back} of {total} values came back")


if __name__ == "__main__":
    main()
