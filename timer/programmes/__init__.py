"""Named programmes: the model, its text form, and the store that keeps every version."""
