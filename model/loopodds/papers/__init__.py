"""What is handed over: the customer page, the record, comparisons, evidence."""
