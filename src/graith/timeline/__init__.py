"""From a set to when each beat, bar and note falls: the only place where written lengths become seconds."""
