"""Bundle -> PDF, workbook, HTML and CSV. Nothing here computes a statistic."""
