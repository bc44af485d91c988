"""From numbers to a suggested grade: scales, probabilities, abstention."""
