"""What each command shows, as a page of text."""
