"""Training of the learned estimate. Needs the `train` extra; nothing but the command line and scripts import it."""
