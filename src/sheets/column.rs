//! Columns of a sheet: the canonical ones, and how foreign headers map to them.

use crate::book::csv::canonical::PARSED;
use crate::trade::attributes::{COLUMN_PREFIX, column_name, of_column};
use crate::trade::text::{did_you_mean, listed};
use caseless::Caseless;
use unicode_normalization::UnicodeNormalization;

/// A column of a comp.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(usize)]
#[allow(missing_docs)] // The names are those of the columns.
pub enum Column {
    CompId,
    SoldOn,
    Model,
    Variant,
    Completeness,
    Grade,
    Missing,
    Extras,
    Defects,
    Works,
    Price,
    Shipping,
    Currency,
    HowSold,
    Venue,
    LotSize,
    Note,
    Rate,
    RateDate,
    RateSource,
}

impl Column {
    /// Every column in canonical order.
    pub const ALL: [Self; PARSED.len()] = [
        Self::CompId,
        Self::SoldOn,
        Self::Model,
        Self::Variant,
        Self::Completeness,
        Self::Grade,
        Self::Missing,
        Self::Extras,
        Self::Defects,
        Self::Works,
        Self::Price,
        Self::Shipping,
        Self::Currency,
        Self::HowSold,
        Self::Venue,
        Self::LotSize,
        Self::Note,
        Self::Rate,
        Self::RateDate,
        Self::RateSource,
    ];

    /// Columns of the exchange rate of a sale in another currency.
    pub const RATE: [Self; 3] = [Self::Rate, Self::RateDate, Self::RateSource];

    /// Columns that a file must have; of these, cells of [`Column::SoldOn`] may be blank.
    pub const REQUIRED: [Self; 3] = [Self::SoldOn, Self::Model, Self::Price];

    /// The canonical name.
    pub fn name(self) -> &'static str {
        PARSED[self as usize]
    }

    /// Reads a canonical name, ignoring case and punctuation.
    ///
    /// # Errors
    /// A sentence with the most similar known name.
    pub fn parse(name: &str) -> Result<Self, String> {
        let folded = fold(name);
        Self::ALL
            .into_iter()
            .find(|column| fold(column.name()) == folded)
            .ok_or_else(|| {
                let near = did_you_mean(name, PARSED);
                format!(
                    "{name:?} is not a column of a comp{near}; these are: {}",
                    PARSED.join(", ")
                )
            })
    }

    /// The column that a header of a spreadsheet most likely means.
    pub(crate) fn of_header(header: &str) -> Option<Self> {
        let folded = fold(header);
        Self::ALL.into_iter().find(|column| {
            fold(column.name()) == folded
                || listed(ALIASES[*column as usize]).any(|it| it == folded)
        })
    }
}

/// Meaning of a column of a spreadsheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ours {
    /// A column of every comp.
    Column(Column),
    /// A numeric attribute, by its canonical name.
    Attribute(String),
}

impl Ours {
    /// The canonical name of the column.
    pub fn name(&self) -> String {
        match self {
            Self::Column(column) => column.name().to_string(),
            Self::Attribute(name) => column_name(name),
        }
    }

    /// Reads a canonical name, ignoring case and punctuation.
    ///
    /// # Errors
    /// A sentence with the most similar known name.
    pub fn parse(name: &str) -> Result<Self, String> {
        match of_column(name) {
            Some(attribute) => Ok(Self::Attribute(attribute)),
            None => Column::parse(name)
                .map(Self::Column)
                .map_err(|why| format!("{why}, and {COLUMN_PREFIX}NAME for a number of the unit")),
        }
    }

    /// The most likely meaning of a header of a spreadsheet.
    pub(crate) fn of_header(header: &str) -> Option<Self> {
        let attribute = || of_column(header).map(Self::Attribute);
        Column::of_header(header)
            .map(Self::Column)
            .or_else(attribute)
    }
}

/// A field that is read from the rows of one file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Field {
    /// A column of every comp.
    Column(Column),
    /// A numeric attribute, by its position in [`super::header::Mapping::attributes`].
    Attribute(usize),
}

impl Field {
    /// A number that is unique among the fields of a file.
    pub(super) fn number(self) -> usize {
        match self {
            Self::Column(column) => column as usize,
            Self::Attribute(at) => Column::ALL.len() + at,
        }
    }
}

impl From<Column> for Field {
    fn from(column: Column) -> Self {
        Self::Column(column)
    }
}

/// The user's choice for one of the file's columns: `None` to ignore it.
pub type Wish = (String, Option<Ours>);

/// Aliases of each column ([`listed`]), folded, in canonical order.
pub(crate) const ALIASES: [&str; PARSED.len()] = [
    "id, saleid, recordid, reference, ref",
    "date, sold, solddate, saledate, datesold, dateofsale, dayofsale, salesdate, when, whensold, datum, \
     verkauftam, verkaufsdatum, verkoopdatum, datedevente, vendule, fecha, fechadeventa, data, datavendita, \
     datadivendita",
    "item, product, modelname, itemname, productname, device, what, modell, artikel, gerät, modèle, modele, \
     article, produit, modelo, artículo, articulo, producto, modello, articolo, prodotto",
    "version, colour, color, revision, storage, configuration, option",
    "complete, completenesslevel, vollständigkeit, complétude, completezza, volledigheid",
    "condition, conditiongrade, gradeofwear, wear, state, zustand, état, etat, estado, stato, condizione, \
     staat, conditie",
    "missingparts, missingpieces, missingitems, lacks, gone, fehlt, fehlteile, manque, manquant, falta, \
     mancante, ontbreekt",
    "includes, included, accessories, extra, addons, bundledwith, zubehör, accessoires, accesorios, \
     accessori",
    "faults, fault, defect, damage, issues, problems, mängel, défauts, defectos, difetti, gebreken",
    "working, functional, functions, isworking, powerson, funktioniert, fonctionne, funciona, funziona, \
     werkt",
    "soldfor, amount, paid, saleprice, soldprice, sellingprice, itemprice, hammerprice, finalprice, got, \
     preis, verkaufspreis, erlös, prix, prixdevente, precio, preciodeventa, prezzo, prezzodivendita, prijs, \
     verkoopprijs",
    "postage, delivery, shippingcost, shippingpaid, postagepaid, deliverycost, pandp, carriage, post, \
     versand, versandkosten, porto, fraisdeport, livraison, port, envío, envio, gastosdeenvío, spedizione, \
     spesedispedizione, verzending, verzendkosten",
    "cur, ccy, currencycode",
    "saletype, sellingformat, soldby, soldhow, format, listingtype, typeofsale, verkauftals, verkaufsart, \
     typedevente, tipodeventa, tipodivendita",
    "where, soldat, soldwhere, place, shop, source, site, platform, channel, wo, lieu, dónde, dove, waar",
    "qty, quantity, units, numberofunits, anzahl, menge, quantité, cantidad, quantità, aantal",
    "notes, comment, comments, remark, remarks, memo, notiz, notizen, bemerkung, bemerkungen, remarque, \
     remarques, notas, nota, opmerking, opmerkingen",
    "exchangerate, conversionrate, fxrate",
    "dateofrate, rateday, exchangeratedate",
    "sourceofrate, exchangeratesource",
];

/// Names that mean a column only where no other column of the file does, folded: beside a date, `day` is a weekday.
pub(crate) const WEAK: [(&str, Column); 7] = [
    ("day", Column::SoldOn),
    ("tag", Column::SoldOn),
    ("thing", Column::Model),
    ("how", Column::HowSold),
    ("cond", Column::Grade),
    ("notincl", Column::Missing),
    ("pcs", Column::LotSize),
];

/// Lower case letters and digits only.
pub(crate) fn fold(name: &str) -> String {
    folded(name).collect()
}

fn folded(name: &str) -> impl Iterator<Item = char> {
    name.nfc()
        .filter(|c| c.is_alphanumeric())
        .default_case_fold()
}

/// Whether two cells are the same column name: equal in letters and digits or, if they have none,
/// as a whole.
pub(crate) fn same_name(one: &str, other: &str) -> bool {
    if folded(other).next().is_none() {
        return one.trim() == other.trim();
    }
    folded(one).eq(folded(other))
}
