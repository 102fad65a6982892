"""Timers that are asked for by voice and count aloud: one minute left, ten seconds left, time is up. Pure.

The wait that a step asks for is a timer too. It begins when the step is left that it counts since, or when the clock
comes after the question; what is left then is told first. It ends with its step.

Stopwatches that run beside the step are here too: "mark one" starts the first, and reads it the second time.

The clock is the stream's sample clock and comes as an event. Where a mark is awaited a timer is silent, since who
speaks does not hear; what it had to tell is told after the last mark, and only the last of it.
"""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue.context import Context, Turn, say
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import Clock, Said
from assistant.dialogue.state import IN_EMERGENCY, Phase, State, Timer
from assistant.dialogue.steps import present
from assistant.language.meaning import Command, Meaning
from assistant.wording import english as wording

TOLD_AT = (60, 10, 0)  # seconds left (common practice of counting down aloud)
NEARLY_ALL = 2 / 3  # of its time: a timer that has less than that left from the beginning tells no such thing
MOST = 4  # running at once: more cannot be told apart by ear
LATE_S = 1.0  # what is told later than this is no count any more
SILENT = IN_EMERGENCY | {Phase.CLOSED}


def start(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """ "Start a timer of three minutes"."""
    seconds = int(meaning.of)
    if len(_asked_for(state)) >= MOST:
        return state, [*say(wording.TOO_MANY_TIMERS.format(number=MOST)), *_on(dialogue, state)]
    state = replace(state, timers=(*state.timers, Timer(seconds, event.at_s, seconds * NEARLY_ALL)))
    told = say(wording.TIMER_RUNS.format(time=wording.duration(seconds)), "answer")
    return state, [Note("timer", {"seconds": seconds, "from_s": event.at_s}), *told, *_on(dialogue, state)]


def how_long(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """What every timer has left, and what every stopwatch has reached."""
    left = [f"{_name(state, timer)}{_left(timer.left_s(event.at_s))}" for timer in state.timers if not timer.over]
    reached = [_read(number, event.at_s - from_s) for number, from_s in state.stopwatches.items()]
    told = " ".join((*left, *reached)) or wording.NO_TIMER
    return state, [*say(told, "answer"), *_on(dialogue, state)]


def off(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Ends all timers that were asked for; the wait of a step ends with it."""
    ended = _asked_for(state)
    if not ended:
        told = wording.ONLY_THE_WAIT if state.waits else wording.NO_TIMER
        return state, [*say(told), *_on(dialogue, state)]
    note = Note("timer-off", {"seconds": [timer.seconds for timer in ended]})
    state = replace(state, timers=tuple(timer for timer in state.timers if timer.step))
    return state, [note, *say(wording.TIMERS_OFF, "answer"), *_on(dialogue, state)]


def stopwatch(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """ "Mark one": the first starts stopwatch one, the second reads and ends it, at the start of the word "mark".

    The answer is short, and the question is not put again, since the next mark may come soon. Where the step itself
    awaits a mark it is refused without a word: people count their marks, and a mark of the step is never taken for
    a stopwatch's.
    """
    number = int(meaning.of)
    if _awaits_mark(dialogue, state):
        return state, [Note("stopwatch-refused", {"number": number, "step": state.step})]
    from_s = state.stopwatches.get(number)
    if from_s is None:
        state = replace(state, stopwatches={**state.stopwatches, number: event.at_s})
        note = Note("stopwatch", {"number": number, "from_s": event.at_s})
        return state, [note, *say(wording.STOPWATCH_RUNS.format(number=wording.NUMBERS[number]), "answer")]
    state = replace(state, stopwatches={other: at_s for other, at_s in state.stopwatches.items() if other != number})
    seconds = event.at_s - from_s
    times = {"from_s": from_s, "at_s": event.at_s, "seconds": round(seconds, 1)}
    note = Note("stopwatch-read", {"number": number, **times, "step": state.step})
    return state, [note, *say(_read(number, seconds), "answer")]


def due_s(dialogue: Context, state: State) -> float | None:
    """When the next of the timers has something to tell, on the stream's clock; None where none has, or may."""
    if state.phase in SILENT or _awaits_mark(dialogue, state):
        return None
    due = (
        0.0 if timer.told is None else (timer.from_s or 0.0) + timer.seconds - max(_to_tell(timer))
        for timer in state.timers
        if not timer.over
    )
    return min(due, default=None)


def clock(dialogue: Context, state: State, event: Clock, meaning: Meaning) -> Turn:
    """Tells what is due."""
    effects: list[Effect] = []
    if due_s(dialogue, state) is None:
        return state, effects
    going: list[Timer] = []
    for running in state.timers:
        timer, told = _begun(running, event.at_s)
        effects += [] if state.is_brief else told  # the prompt told it
        if running.from_s is None:  # later waits since the same step go on from here, and do not begin anew
            wait = dialogue.rules.procedure.step(timer.step).wait
            began = dict.fromkeys(wait.since if wait else (), event.at_s)
            state = replace(state, left_at={**state.left_at, **began})
        left_s = timer.left_s(event.at_s)
        due = [seconds for seconds in _to_tell(timer) if seconds >= left_s]
        if not due:
            going.append(timer)
        elif at := min(due):
            going.append(replace(timer, told=at))
            if at - left_s <= LATE_S and not state.is_brief:
                effects += say(f"{_name(state, timer)}{_left(at)}", "answer")
        elif timer.step:
            going.append(replace(timer, told=0))
            effects += _waited(dialogue, state, timer, event.at_s)
        else:
            effects.append(Note("timer-over", {"seconds": timer.seconds, "at_s": event.at_s}))
            effects += say(wording.TIME_IS_UP.format(time=wording.duration(timer.seconds)), "answer")
    return replace(state, timers=tuple(going)), effects


def _begun(timer: Timer, at_s: float) -> tuple[Timer, list[Effect]]:
    """A wait whose question was just put: it tells what is left, and nothing where it is over already."""
    if timer.told is not None:
        return timer, []
    timer = replace(timer, from_s=at_s if timer.from_s is None else timer.from_s)
    left_s = max(0, round(timer.left_s(at_s)))
    told = say(wording.TO_WAIT.format(time=wording.duration(left_s)), "answer") if left_s else []
    return replace(timer, told=left_s * NEARLY_ALL), told


def _waited(dialogue: Context, state: State, timer: Timer, at_s: float) -> list[Effect]:
    """The wait of the step is over; its question is put again, shortly."""
    note = Note("wait-over", {"step": timer.step, "seconds": timer.seconds, "at_s": at_s})
    wait = dialogue.rules.procedure.step(timer.step).wait
    asks = state.at is Phase.ASKING and not state.hand.correcting
    then = wait.then if wait and asks and not state.is_brief else ""
    return [note, *say(f"{wording.UP} {then}", "answer")]


def _read(number: int, seconds: float) -> str:
    """What a stopwatch has reached, to a tenth: a mark's onset is no surer."""
    return wording.STOPWATCH.format(number=wording.NUMBERS[number], seconds=round(seconds, 1))


def _left(seconds: float) -> str:
    return wording.LEFT.format(time=wording.duration(max(0, round(seconds))))


def _to_tell(timer: Timer) -> list[int]:
    """Seconds left at which it has something to tell yet; not those that it nearly begins with."""
    return [seconds for seconds in TOLD_AT if timer.told is not None and seconds < timer.told]


def _asked_for(state: State) -> list[Timer]:
    return [timer for timer in state.timers if not timer.step]


def _name(state: State, timer: Timer) -> str:
    """Which timer, where there are several."""
    return (
        wording.OF_TIMER.format(time=wording.duration(timer.seconds))
        if sum(not each.over for each in state.timers) > 1
        else ""
    )


def _awaits_mark(dialogue: Context, state: State) -> bool:
    hand, step = state.hand, dialogue.rules.procedure.step(state.step)
    if state.phase is Phase.WORKING:
        return hand.first_mark_s is not None
    if state.at is not Phase.ASKING or hand.correcting:
        return False
    return bool(hand.marks) or hand.first_mark_s is not None or (bool(step.events) and not hand.untold)


def _on(dialogue: Context, state: State) -> list[Effect]:
    """The question again, unless a mark may come at any moment."""
    return [] if _awaits_mark(dialogue, state) else present(dialogue, state)
