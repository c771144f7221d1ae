//! HTTP Message Signatures (RFC 9421) and Content-Digest (RFC 9530), as much of them as one kind of request needs.
//!
//! The one message that is signed has five components that are fixed and need no canonicalization, which is less than a general
//! library has to be told.

use std::fmt::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

use super::key::SigningKey;

/// What a signature is for (RFC 9421 section 2.3): a receiver that gets others' too can tell ours.
const TAG: &str = "parwright-delivery";
/// How long a signature is good, in seconds: long enough for a slow clock, and too short to be worth stealing.
const GOOD_FOR: i64 = 300;

/// The two fields that carry a signature.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Signed {
    pub signature_input: String,
    pub signature: String,
}

/// The value of `Content-Digest` for a body.
pub fn content_digest(body: &[u8]) -> String {
    format!("sha-256=:{}:", STANDARD.encode(Sha256::digest(body)))
}

/// Signs components of a request, by name and value, at a time in seconds since 1970.
pub fn sign(key: &SigningKey, components: &[(&str, &str)], created: i64) -> Signed {
    let expires = created.saturating_add(GOOD_FOR);
    let id = key.id();
    let more = format!(r#";created={created};expires={expires};keyid="{id}";alg="ed25519";tag="{TAG}""#);
    let parameters = parameters(components, &more);
    let signature = STANDARD.encode(key.sign(base(components, &parameters).as_bytes()));
    Signed { signature_input: format!("sig={parameters}"), signature: format!("sig=:{signature}:") }
}

/// The signature parameters (RFC 9421 section 2.3): the names of the components, then what is given.
fn parameters(components: &[(&str, &str)], more: &str) -> String {
    let names: Vec<String> = components.iter().map(|(name, _)| format!("\"{name}\"")).collect();
    format!("({}){more}", names.join(" "))
}

/// The signature base (RFC 9421 section 2.5).
fn base(components: &[(&str, &str)], parameters: &str) -> String {
    let mut base = String::new();
    for (name, value) in components {
        // Writing to a string does not fail.
        let _ = writeln!(base, "\"{name}\": {value}");
    }
    base + "\"@signature-params\": " + parameters
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::delivery::key::tests::rfc_9421;

    #[test]
    fn the_signature_is_that_of_the_rfc() {
        // RFC 9421 appendix B.2.6. Ed25519 always gives the same signature.
        let components = [
            ("date", "Tue, 20 Apr 2021 02:07:55 GMT"),
            ("@method", "POST"),
            ("@path", "/foo"),
            ("@authority", "example.com"),
            ("content-type", "application/json"),
            ("content-length", "18"),
        ];
        let parameters = parameters(&components, ";created=1618884473;keyid=\"test-key-ed25519\"");
        let base = base(&components, &parameters);
        assert_eq!(
            base,
            "\"date\": Tue, 20 Apr 2021 02:07:55 GMT\n\"@method\": POST\n\"@path\": /foo\n\"@authority\": example.com\n\
             \"content-type\": application/json\n\"content-length\": 18\n\"@signature-params\": (\"date\" \"@method\" \"@path\" \
             \"@authority\" \"content-type\" \"content-length\");created=1618884473;keyid=\"test-key-ed25519\""
        );
        let expected = "wqcAqbmYJ2ji2glfAMaRy4gruYYnx2nEFN2HN6jrnDnQCK1u02Gb04v9EDgwUPiu4A0w6vuQv5lIp5WPpBKRCw==";
        assert_eq!(STANDARD.encode(rfc_9421().sign(base.as_bytes())), expected);
    }

    #[test]
    fn the_digest_is_that_of_the_rfc() {
        // RFC 9530 appendix B.1.
        let expected = "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:";
        assert_eq!(content_digest(b"{\"hello\": \"world\"}\n"), expected);
    }

    #[test]
    fn a_signature_says_what_it_covers_and_until_when() {
        let key = rfc_9421();
        let signed = sign(&key, &[("@method", "POST"), ("@target-uri", "https://ledger.example/in")], 1_000);
        let expected = format!(
            r#"sig=("@method" "@target-uri");created=1000;expires=1300;keyid="{}";alg="ed25519";tag="parwright-delivery""#,
            key.id()
        );
        assert_eq!(signed.signature_input, expected);
    }
}
