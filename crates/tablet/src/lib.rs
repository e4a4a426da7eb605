//! What a tablet does: sign in, record, sign, photos, sync. One call seam for the app and for a browser.
