mod reference;
