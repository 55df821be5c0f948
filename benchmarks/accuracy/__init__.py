"""An examiner of drymon's verdicts: a simulated foundry whose physics is richer than the product's model, and
the scoring."""
