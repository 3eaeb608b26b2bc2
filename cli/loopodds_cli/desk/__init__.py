"""What stands between a command and the library: cases, archives, reports."""
