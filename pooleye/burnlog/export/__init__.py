"""The log for other programs: tidy tables (CSV, XLSX), and the whole log as JSON and back in without loss."""
