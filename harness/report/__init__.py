"""The page, plots, label and paper of a run."""
