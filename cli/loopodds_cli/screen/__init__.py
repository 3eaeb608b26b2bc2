"""What pages are made of: lines, tables, stops, offers, values in the workshop's units."""
