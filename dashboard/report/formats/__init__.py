"""One document, written as HTML, PDF, workbook or slides."""
