//! Photos: checks a picture, honours its orientation, makes the 1600 px and 256 px pictures.
