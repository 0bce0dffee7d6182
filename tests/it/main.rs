mod coverage;
mod reference;
