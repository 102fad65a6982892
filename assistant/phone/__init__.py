"""The phone in the pocket as microphone and loudspeaker: its page, its socket, and both ways of the sound.

Nothing of it is imported unless a visit is worked with `--phone`.
"""
