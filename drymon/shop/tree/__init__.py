"""One tree: its state, what time and evidence do to it, and the models that its coats go by."""
