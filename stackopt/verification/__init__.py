"""An answer held against its problem by arithmetic of its own: no equation, judge or search of the package is used."""
