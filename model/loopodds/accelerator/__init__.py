"""The passes over a junction tree on an accelerator."""
