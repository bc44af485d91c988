"""What lies on disk: photos in, results out, folders with known truth."""
