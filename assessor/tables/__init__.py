"""Domain knowledge as data, with a source per row, and the loader that checks it."""
