"""What to type against an error of the library, which knows nothing of commands."""

from loopodds import LoopoddsError

REMEDIES = {
    "begin": "`loopodds case open` begins one",
    "another book": "choose another with --book or LOOPODDS_BOOK",
    "salvage": "`loopodds case check` says what is sound, and --salvage OUT saves that",
    "reopen": "`loopodds case undo {case}` opens it again",
    "as it came": "say --as-it-came if it was so all the same, close --unconfirmed if it is true "
    "only since the repair, or correct it",
    "lead back": "`loopodds case undo {case}` leads back there",
    "name services": "name the services, as `loopodds case repaired {case} SERVICE...`",
    "withdraw": "take out what it does not have: `loopodds case withdraw {case} NAME`",
    "confirm": "once it is certain, close the case with --confirmed {name}=present",
    "append anew": "--append --overwrite scores all of it anew",
    "overwrite": "choose another name, or replace it with --overwrite",
    "start over": "run again without --resume",
    "resume": "--resume goes on from here",
    "fewer workers": "--resume goes on from here, perhaps with fewer --workers",
    "unsafe": "`loopodds network --check` names all of it; --unsafe uses such knowledge all the "
    "same, and every screen says so",
    "no cluster": "score CSV without --cluster",
    "starter map": "`loopodds score --starter-map {archive}` writes a column map to correct",
    "map by hand": "`loopodds help owner` has its keys, `loopodds network --search WORDS` finds "
    "names",
    "map columns": "a column map (--columns) can rename them",
}


def advised(error: LoopoddsError) -> str:
    """Message of an error, with what to type against it."""
    if not error.remedy:
        return str(error)
    return f"{error}; {REMEDIES[error.remedy].format(**error.about)}"
