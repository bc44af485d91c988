"""The job record, pure: what is entered, what may follow what, and what makes a zone accepted."""
