"""Commands of loopodds; everything computed lives in the ``loopodds`` package."""
