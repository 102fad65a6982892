"""The dialogue: state, events, effects and the transitions between them. Pure."""
