"""Local pages in the browser: labelling takes, and watching a run."""
