"""Words and their meaning: grammars, spoken numbers, utterances, values as spoken words. Pure."""
