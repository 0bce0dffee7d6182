#!/usr/bin/env python3
"""Writes the messy sheets of this folder, and beside each what it holds.

usage: make.py    (needs openpyxl, odfpy and xlwt, which write the spreadsheets)

Each sheet is kept in another habit: titles above the header, headings and numbers of several
languages, real dates and typed ones, sums below, words instead of grades, misspelt models. The file
NAME.sales says what a careful reader finds in it, one sale a line:
model | day | price | shipping | grade | completeness | how sold | missing | works | lot size
The goods, makers and prices are invented.
"""

import datetime as dt
import os

import openpyxl
import xlwt
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P
from openpyxl.styles import Font

HERE = os.path.dirname(os.path.abspath(__file__))
KEYS = ["model", "day", "price", "shipping", "grade", "completeness", "how", "missing", "works", "lot"]


def sale(model, day, price, shipping="0.00", grade="", completeness="", how="", missing="", works="yes", lot="1"):
    return dict(zip(KEYS, [model, day, price, shipping, grade, completeness, how, missing, works, lot]))


def text(name, content, encoding="utf-8"):
    with open(os.path.join(HERE, name), "wb") as file:
        file.write(content.encode(encoding))


def expected(name, sales):
    text(name + ".sales", "".join(" | ".join(one[key] for key in KEYS) + "\n" for one in sales))


def titles_above():
    rows = [
        "My sales of recorders;;;;;;", ";;;;;;", "kept since spring;;;;;;", ";;;;;;",
        "What;When sold;Got;Postage;State;Gone;Remarks",
        "Harvane Tessel;3 Feb 2026;€ 120.00;4.90;B;charger;",
        "Harvane Tessel;17 Feb 2026;€ 99,50;free;C;;\"strap worn; smells\"",
        ";;;;;;",
        "March;;;;;;",
        "harvane tessel;02/03/2026;€ 131;4.90;A;;",
        "Ostrel Vakk;28/03/2026;€ 1,045.00;0;A;;boxed",
        "Total;;€ 1395.50;;;;",
    ]
    text("titles-above.csv", "\n".join(rows) + "\n")
    expected("titles-above.csv", [
        sale("Harvane Tessel", "2026-02-03", "120.00", "4.90", "B", missing="charger"),
        sale("Harvane Tessel", "2026-02-17", "99.50", grade="C"),
        sale("harvane tessel", "2026-03-02", "131.00", "4.90", "A"),
        sale("Ostrel Vakk", "2026-03-28", "1045.00", grade="A"),
    ])


def german():
    rows = [
        "Datum;Artikel;Preis;Versand;Zustand;Fehlt;Verkauft als",
        "03.02.2026;Harvane Tessel;120,00 €;4,90 €;sehr gut;;Auktion",
        "17.2.26;Harvane Tessel;99,50 €;gratis;gut;Ladegerät;Festpreis",
        "05.03.2026;Ostrel Vakk;1.045,00 €;;neuwertig;;Festpreis",
        "06.03.2026;Ostrel Vakk;310,00 €;6,90 €;defekt;;Auktion",
    ]
    text("german.csv", "\r\n".join(rows) + "\r\n", "cp1252")
    expected("german.csv", [
        sale("Harvane Tessel", "2026-02-03", "120.00", "4.90", "B", how="auction"),
        sale("Harvane Tessel", "2026-02-17", "99.50", grade="C", how="fixed", missing="ladegerät"),
        sale("Ostrel Vakk", "2026-03-05", "1045.00", grade="A", how="fixed"),
        sale("Ostrel Vakk", "2026-03-06", "310.00", "6.90", how="auction", works="no"),
    ])


def french():
    rows = [
        "Modèle\tDate de vente\tPrix\tFrais de port\tÉtat\tRemarques",
        "Harvane Tessel\t03/02/2026\t120,00\t4,90\tB\t",
        "Harvane Tessel\t27/02/2026\t1 099,50\tgratuit\tA\tavec boîte",
        "Ostrel Vakk\t05/03/2026\t310\t\tD\t",
    ]
    text("french.txt", "\n".join(rows) + "\n")
    expected("french.txt", [
        sale("Harvane Tessel", "2026-02-03", "120.00", "4.90", "B"),
        sale("Harvane Tessel", "2026-02-27", "1099.50", grade="A"),
        sale("Ostrel Vakk", "2026-03-05", "310.00", grade="D"),
    ])


def spanish():
    rows = [
        "Fecha,Modelo,Precio,Envío,Estado,Notas",
        "03-02-2026,Harvane Tessel,\"120,00 €\",\"4,90 €\",B,",
        "27-02-2026,Ostrel Vakk,\"1.310,00 €\",,A,\"caja, cable\"",
    ]
    text("spanish.csv", "\n".join(rows) + "\n")
    expected("spanish.csv", [
        sale("Harvane Tessel", "2026-02-03", "120.00", "4.90", "B"),
        sale("Ostrel Vakk", "2026-02-27", "1310.00", grade="A"),
    ])


def unicode_text():
    rows = [
        "Sold\tDevice\tPrice\tDelivery\tCondition\tSold by",
        "2026-02-03\tHarvane Tessel\t120\t4.9\tvery good\tobo",
        "2026-02-04\tHarvane Tessel\t118\t4.9\tvg\tBIN",
        "2026-02-09\tHarvane Tessel\t90\t\tfair\tbids",
    ]
    text("unicode.txt", "\r\n".join(rows) + "\r\n", "utf-16")
    expected("unicode.txt", [
        sale("Harvane Tessel", "2026-02-03", "120.00", "4.90", "B", how="offer"),
        sale("Harvane Tessel", "2026-02-04", "118.00", "4.90", "B", how="fixed"),
        sale("Harvane Tessel", "2026-02-09", "90.00", grade="C", how="auction"),
    ])


def dollars():
    rows = [
        "Item,Date Sold,Sale Price,Shipping,Grade,Qty,Works",
        "Harvane Tessel,2/3/2026,$120.00,$4.90,B,1,y",
        "Harvane Tessel,2/17/2026,$99.50,Free,C,1,yes",
        "Ostrel Vakk,3/28/2026,\"$1,045.00\",,A,2,",
        "Ostrel Vakk,3/29/2026,$80,$5,,1,for parts",
    ]
    text("dollars.csv", "\n".join(rows) + "\n")
    expected("dollars.csv", [
        sale("Harvane Tessel", "2026-02-03", "120.00", "4.90", "B"),
        sale("Harvane Tessel", "2026-02-17", "99.50", grade="C"),
        sale("Ostrel Vakk", "2026-03-28", "1045.00", grade="A", lot="2"),
        sale("Ostrel Vakk", "2026-03-29", "80.00", "5.00", works="no"),
    ])


def misspelt():
    rows = [
        "model,date,price,complete",
        "Harvane Tessel,2026-02-03,120,full",
        "Harvane Tessel,2026-02-04,125,full",
        "Harvane-Tessel,2026-02-05,119,complete",
        "Havrane Tessel,2026-02-06,121,full",
        "HARVANE  TESSEL,2026-02-07,122,",
    ]
    text("misspelt.csv", "\n".join(rows) + "\n")
    expected("misspelt.csv", [
        sale("Harvane Tessel", "2026-02-03", "120.00", completeness="full"),
        sale("Harvane Tessel", "2026-02-04", "125.00", completeness="full"),
        sale("Harvane Tessel", "2026-02-05", "119.00", completeness="full"),
        sale("Harvane Tessel", "2026-02-06", "121.00", completeness="full"),
        sale("HARVANE  TESSEL", "2026-02-07", "122.00"),
    ])


def no_model():
    rows = ["when|price|post|grade", "1.2.2026|120|4.90|B", "14.2.2026|118|4.90|B", "|117||C"]
    text("one-model.csv", "\n".join(rows).replace("|", ",") + "\n")
    expected("one-model.csv", [
        sale("Harvane Tessel", "2026-02-01", "120.00", "4.90", "B"),
        sale("Harvane Tessel", "2026-02-14", "118.00", "4.90", "B"),
        sale("Harvane Tessel", "", "117.00", grade="C"),
    ])


def xlsx():
    book = openpyxl.Workbook()
    notes = book.active
    notes.title = "Ideas"
    notes["A1"] = "buy more tape"
    sheet = book.create_sheet("Sold 2026")
    sheet.merge_cells("A1:F1")
    sheet["A1"] = "What I sold"
    sheet["A1"].font = Font(bold=True)
    for column, name in enumerate(["Product", "Date", "Price", "Postage", "Grade", "Complete"], 1):
        sheet.cell(3, column, name)
    rows = [
        ("Harvane Tessel", dt.date(2026, 2, 3), 120, 4.9, "B", "usable"),
        (None, dt.date(2026, 2, 17), 99.5, None, "C", "bare"),
        (None, "3 March 2026", 131, 4.9, "A", "boxed"),
        ("Ostrel Vakk", dt.datetime(2026, 3, 28, 14, 30), 1045.125, 0, "A", None),
    ]
    for at, row in enumerate(rows, 4):
        for column, value in enumerate(row, 1):
            sheet.cell(at, column, value)
        sheet.cell(at, 2).number_format = "dd/mm/yyyy"
        sheet.cell(at, 3).number_format = '#,##0.00 "€"'
    sheet.merge_cells("A4:A6")
    sheet.cell(9, 1, "Sum")
    sheet.cell(9, 3, 1395.62)
    old = book.create_sheet("2025")
    for at, row in enumerate([("Product", "Date", "Price"), ("Ostrel Vakk", dt.date(2025, 5, 5), 900)], 1):
        for column, value in enumerate(row, 1):
            old.cell(at, column, value)
    book.save(os.path.join(HERE, "sold.xlsx"))
    expected("sold.xlsx", [
        sale("Harvane Tessel", "2026-02-03", "120.00", "4.90", "B", "usable"),
        sale("Harvane Tessel", "2026-02-17", "99.50", grade="C", completeness="bare"),
        sale("Harvane Tessel", "2026-03-03", "131.00", "4.90", "A", "boxed"),
        sale("Ostrel Vakk", "2026-03-28", "1045.125", grade="A"),
    ])


def months_xlsx():
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "All"
    rows = [
        ("Date", "Item", "Sold for", "How sold", "Missing"), ("January",), (dt.date(2026, 1, 9), "Ostrel Vakk", 300, "auction", "aerial"),
        (), ("February",), (dt.date(2026, 2, 9), "Ostrel Vakk", "310,00", "best offer", "aerial, strap"),
        (dt.date(2026, 2, 11), "Ostrel Vakk", 305.5, None, None), (None, "TOTAL", 915.5),
    ]
    for at, row in enumerate(rows, 1):
        for column, value in enumerate(row, 1):
            sheet.cell(at, column, value)
    book.save(os.path.join(HERE, "months.xlsx"))
    expected("months.xlsx", [
        sale("Ostrel Vakk", "2026-01-09", "300.00", how="auction", missing="aerial"),
        sale("Ostrel Vakk", "2026-02-09", "310.00", how="offer", missing="aerial; strap"),
        sale("Ostrel Vakk", "2026-02-11", "305.50"),
    ])


def dutch():
    rows = ["Datum;Artikel;Prijs;Verzendkosten;Staat", "3-2-2026;Harvane Tessel;120;4,90;B", "17-02-2026;Ostrel Vakk;310,50;;A"]
    text("dutch.csv", "\r\n".join(rows) + "\r\n")
    expected("dutch.csv", [
        sale("Harvane Tessel", "2026-02-03", "120.00", "4.90", "B"),
        sale("Ostrel Vakk", "2026-02-17", "310.50", grade="A"),
    ])


def ods():
    book = OpenDocumentSpreadsheet()
    table = Table(name="Vendite")

    def row(*cells):
        line = TableRow()
        for value in cells:
            if isinstance(value, dt.date):
                cell = TableCell(valuetype="date", datevalue=value.isoformat())
                cell.addElement(P(text=value.strftime("%d/%m/%y")))
            elif isinstance(value, (int, float)):
                cell = TableCell(valuetype="float", value=str(value))
                cell.addElement(P(text=str(value).replace(".", ",")))
            else:
                cell = TableCell(valuetype="string")
                cell.addElement(P(text=value))
            line.addElement(cell)
        table.addElement(line)

    row("Le mie vendite")
    row("Data", "Articolo", "Prezzo", "Spedizione", "Stato", "Note")
    row(dt.date(2026, 2, 3), "Harvane Tessel", 120, 4.9, "B", "")
    row(dt.date(2026, 2, 17), "Ostrel Vakk", 1310.5, 0, "A", "con scatola")
    book.spreadsheet.addElement(table)
    book.save(os.path.join(HERE, "italian.ods"))
    expected("italian.ods", [
        sale("Harvane Tessel", "2026-02-03", "120.00", "4.90", "B"),
        sale("Ostrel Vakk", "2026-02-17", "1310.50", grade="A"),
    ])


def xls():
    book = xlwt.Workbook()
    book.add_sheet("Wanted").write(0, 0, "a recorder with a wind screen")
    sheet = book.add_sheet("Sales")
    bold = xlwt.easyxf("font: bold on; align: horiz centre")
    sheet.write_merge(0, 0, 0, 5, "Everything sold", bold)
    for column, name in enumerate(["Sold on", "Article", "Got", "Delivery", "Condition", "Missing"]):
        sheet.write(1, column, name, bold)
    day = xlwt.easyxf(num_format_str="DD/MM/YY")
    rows = [
        (dt.date(2026, 2, 3), "Harvane Tessel", 120, 4.9, "B", "charger"),
        (dt.date(2026, 2, 17), "Harvane Tessel", 99.5, "free", "C", ""),
        ("3 March 2026", "Ostrel Vakk", "1,045.00", 0, "A", ""),
    ]
    for at, row in enumerate(rows, 2):
        for column, value in enumerate(row):
            sheet.write(at, column, value, *([day] if isinstance(value, dt.date) else []))
    sheet.write(6, 1, "Total")
    sheet.write(6, 2, xlwt.Formula("SUM(C3:C5)"))
    book.save(os.path.join(HERE, "sales.xls"))
    expected("sales.xls", [
        sale("Harvane Tessel", "2026-02-03", "120.00", "4.90", "B", missing="charger"),
        sale("Harvane Tessel", "2026-02-17", "99.50", grade="C"),
        sale("Ostrel Vakk", "2026-03-03", "1045.00", grade="A"),
    ])


if __name__ == "__main__":
    for make in [titles_above, german, french, spanish, unicode_text, dollars, misspelt, no_model, xlsx, months_xlsx,
                 dutch, ods, xls]:
        make()
