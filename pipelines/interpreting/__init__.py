"""A file as read, turned into contract tables: de-identified, typed, with a reason for every cell not understood."""
