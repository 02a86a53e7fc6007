"""Tables, summary, page, workbook and pictures of a check; sees only the outcome."""
