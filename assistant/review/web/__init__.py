"""The supervisor's page over the visits of a shop."""
