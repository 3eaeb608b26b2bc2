"""The report of a case as a document, and figures."""
