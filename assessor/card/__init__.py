"""The printed card: its geometry, drawing, reading, and what it says about camera and light."""
