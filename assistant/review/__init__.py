"""For the supervisor: replay and report from the record alone."""
