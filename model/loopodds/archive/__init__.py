"""Many cases: read, scored and reviewed from file to file."""
