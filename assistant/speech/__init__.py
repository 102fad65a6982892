"""Ears and mouth: audio files and devices, end of utterance, recognizers, voice, models."""
