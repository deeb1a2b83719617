"""Results to bytes: spreadsheet, PDF, HTML. The facts are said once, formats only draw them."""
