"""From a published snapshot to comparisons that say what they rest on."""
