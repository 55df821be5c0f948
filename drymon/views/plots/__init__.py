"""Pictures: matplotlib `Figure` only, fit for colour-blind eyes and grey paper; same data, same bytes."""
