"""The job's sheet: one model, drawn as a page, a PDF and a CSV file."""

from api.sheet.csv_file import sheet_csv
from api.sheet.degree_strip import degree_strip_pdf
from api.sheet.model import Sheet
from api.sheet.page import page_words
from api.sheet.pdf import sheet_pdf
from api.sheet.sheet import file_word, job_sheet
from api.sheet.shown import show_job

__all__ = [
    "Sheet",
    "degree_strip_pdf",
    "file_word",
    "job_sheet",
    "page_words",
    "sheet_csv",
    "sheet_pdf",
    "show_job",
]
