"""Knowledge and demo of loopodds: text files only, read through ``loopodds.knowledge``."""
