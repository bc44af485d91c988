"""Heights, areal and profile texture parameters, direction and noise."""
