"""The job record as use cases: what shells call to open, enter, photograph, judge and list jobs."""
