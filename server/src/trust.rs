//! The page that tells a person how to make a phone or a PC trust the trailer, and the CA's certificate itself.

use crate::state::App;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};

/// `GET /ca.crt`: the certificate that vouches for the board.
pub async fn ca(State(app): State<App>) -> Response {
    let headers = [
        (header::CONTENT_TYPE, "application/x-x509-ca-cert"),
        (header::CONTENT_DISPOSITION, "attachment; filename=\"tubewright-trailer-ca.crt\""),
    ];
    (headers, app.web().ca_pem.clone()).into_response()
}

/// `GET /trust`: the words for it, in both languages, with the fingerprint to compare.
pub async fn page(State(app): State<App>) -> Response {
    let print = grouped(&app.web().ca_fingerprint);
    let (en, es) = (words(&EN, &print), words(&ES, &print));
    let html = format!(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <title>Trusting the trailer / Confiar en el tráiler</title><style>{STYLE}</style></head><body><main>\
         <section lang=\"en\">{en}</section><section lang=\"es\">{es}</section></main></body></html>"
    );
    ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], html).into_response()
}

const STYLE: &str = "body{font:18px/1.5 system-ui,sans-serif;max-width:44rem;margin:0 auto;padding:1rem;color:#1a1a1a;background:#fff}\
 h1{font-size:1.5rem}h2{font-size:1.15rem}code{font:bold 1rem/1.6 ui-monospace,monospace;overflow-wrap:anywhere}\
 a{color:#0b4f9e;font-weight:bold}section+section{border-top:3px solid #1a1a1a;margin-top:2rem;padding-top:1rem}\
 .print{border:3px solid #1a1a1a;padding:.75rem}";

struct Words {
    title: &'static str,
    why: &'static str,
    first: &'static str,
    compare: &'static str,
    get: &'static str,
    steps: [(&'static str, &'static str); 5],
    limits: &'static str,
}

const EN: Words = Words {
    title: "Make this phone or PC trust the trailer",
    why: "The trailer's server made its own certificate, because there is no internet here to vouch for it. Until you trust it, the browser warns you, and it is right to: it cannot know who answers.",
    first: "1. Compare the fingerprint first",
    compare: "The server printed this fingerprint when it was started, and it shows it on its own screen at http://127.0.0.1:8080/trust. Read it there, with your own eyes, and compare every group. If one differs, stop: someone stands between you and the trailer. Tell the supervisor.",
    get: "2. Fetch the certificate: ",
    steps: [
        (
            "Windows PC",
            "Open the file, choose Install Certificate, Current User, Place all certificates in the following store, Trusted Root Certification Authorities. Windows shows a thumbprint and asks once more; then restart the browser.",
        ),
        (
            "Android phone or tablet",
            "Settings, Security, Encryption and credentials, Install a certificate, CA certificate. The names differ a little from maker to maker.",
        ),
        (
            "iPhone or iPad",
            "Open the file, then Settings, Profile downloaded, Install. After that Settings, General, About, Certificate Trust Settings: switch it on there.",
        ),
        ("Mac", "Open the file in Keychain Access, open the entry, Trust, Always Trust."),
        ("Firefox on any PC", "Settings, Privacy and Security, View Certificates, Authorities, Import; tick: identify websites."),
    ],
    limits: "This certificate can vouch only for addresses inside a local network, never for a site on the internet. The tablets with the app do not need it: they know the trailer by its pairing code. Remove it again when the outage is over.",
};

const ES: Words = Words {
    title: "Haga que este teléfono o PC confíe en el tráiler",
    why: "El servidor del tráiler hizo su propio certificado, porque aquí no hay internet que responda por él. Mientras usted no confíe en él, el navegador le avisa, y con razón: no puede saber quién contesta.",
    first: "1. Primero compare la huella",
    compare: "El servidor imprimió esta huella al arrancar y la muestra en su propia pantalla en http://127.0.0.1:8080/trust. Léala allí, con sus propios ojos, y compare cada grupo. Si uno difiere, pare: alguien está entre usted y el tráiler. Avise al supervisor.",
    get: "2. Descargue el certificado: ",
    steps: [
        (
            "PC con Windows",
            "Abra el archivo, elija Instalar certificado, Usuario actual, Colocar todos los certificados en el siguiente almacén, Entidades de certificación raíz de confianza. Windows muestra una huella y pregunta otra vez; luego reinicie el navegador.",
        ),
        (
            "Teléfono o tableta Android",
            "Ajustes, Seguridad, Cifrado y credenciales, Instalar un certificado, Certificado de CA. Los nombres cambian un poco según el fabricante.",
        ),
        (
            "iPhone o iPad",
            "Abra el archivo, luego Ajustes, Perfil descargado, Instalar. Después Ajustes, General, Información, Ajustes de confianza de los certificados: actívelo allí.",
        ),
        ("Mac", "Abra el archivo en Acceso a Llaveros, abra la entrada, Confiar, Confiar siempre."),
        (
            "Firefox en cualquier PC",
            "Ajustes, Privacidad y seguridad, Ver certificados, Autoridades, Importar; marque: identificar sitios web.",
        ),
    ],
    limits: "Este certificado solo puede responder por direcciones dentro de una red local, nunca por un sitio de internet. Las tabletas con la aplicación no lo necesitan: conocen al tráiler por su código de emparejamiento. Quítelo cuando termine la parada.",
};

fn words(w: &Words, print: &str) -> String {
    let steps: String = w.steps.iter().map(|(what, how)| format!("<li><strong>{what}.</strong> {how}</li>")).collect();
    format!(
        "<h1>{}</h1><p>{}</p><h2>{}</h2><p>{}</p><p class=\"print\">SHA-256<br><code>{print}</code></p>\
         <h2>{}<a href=\"ca.crt\">ca.crt</a></h2><ul>{steps}</ul><p>{}</p>",
        w.title, w.why, w.first, w.compare, w.get, w.limits
    )
}

/// A fingerprint as phones and PCs show it: pairs with colons.
pub fn grouped(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02X}")).collect::<Vec<_>>().join(":")
}
