"""Return currents: detours through reference copper, and the harm of a broken return path."""
