mod coverage;
mod reference;
mod properties;
