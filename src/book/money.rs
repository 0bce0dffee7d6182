//! Money: exact amounts, one currency a book.

use rust_decimal::Decimal;

/// A currency: its code and how many decimals its amounts are shown with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Currency {
    /// ISO 4217 code, three capital letters.
    pub code: String,
}

impl Currency {
    /// Reads a three-letter code, case ignored.
    ///
    /// # Errors
    /// The text, where it is not three ASCII letters.
    pub fn parse(code: &str) -> Result<Self, String> {
        let code = code.trim();
        if code.len() == 3 && code.bytes().all(|b| b.is_ascii_alphabetic()) {
            Ok(Self {
                code: code.to_ascii_uppercase(),
            })
        } else {
            Err(code.to_string())
        }
    }

    /// Decimals of the minor unit (ISO 4217): 0, 2 or 3.
    pub fn decimals(&self) -> u32 {
        match self.code.as_str() {
            "BIF" | "CLP" | "DJF" | "GNF" | "ISK" | "JPY" | "KMF" | "KRW" | "PYG" | "RWF"
            | "UGX" | "VND" | "VUV" | "XAF" | "XOF" | "XPF" => 0,
            "BHD" | "IQD" | "JOD" | "KWD" | "LYD" | "OMR" | "TND" => 3,
            _ => 2,
        }
    }

    /// An amount rounded half-even to the minor unit, without the code.
    pub fn plain(&self, amount: Decimal) -> String {
        let mut rounded = amount.round_dp(self.decimals());
        rounded.rescale(self.decimals());
        rounded.to_string()
    }

    /// A float of the statistics brought back to money, rounded half-even to the minor unit;
    /// `None` where it is not finite or too large for [`Decimal`].
    pub fn from_statistics(&self, amount: f64) -> Option<Decimal> {
        if !amount.is_finite() {
            return None;
        }
        let mut exact = Decimal::from_f64_retain(amount)?.round_dp(self.decimals());
        exact.rescale(self.decimals());
        Some(exact)
    }
}
