"""Who is looked at: filters, the flow from started to counted, and single cases."""
