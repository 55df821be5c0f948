"""From a state to a verdict: judging, reasons, advice, outlook."""
