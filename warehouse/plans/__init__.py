"""What was planned before looking, and what has been looked at: plans on record, questions, and the looks taken."""
