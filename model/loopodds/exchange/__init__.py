"""Networks in and out: files of the interchange format, other libraries."""
