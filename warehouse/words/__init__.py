"""Every sentence and every number as text; nothing else in `warehouse` imports it."""
