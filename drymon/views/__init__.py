"""What people see: the status table, the page, pictures, reports, rows for spreadsheets."""
