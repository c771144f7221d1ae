//! A receiver's own check of a delivery, written from RFC 9421 and RFC 9530 and sharing no code with what signs.

use std::collections::BTreeMap;

use base64::Engine;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use ed25519_dalek::{Signature, VerifyingKey};
use serde_json::Value;
use sha2::{Digest, Sha256};

use super::receiver::Request;

/// What a signature says about itself.
#[derive(Debug)]
pub struct Input<'a> {
    components: Vec<&'a str>,
    parameters: BTreeMap<&'a str, &'a str>,
    /// Everything after the label and `=`: the value of `@signature-params`.
    text: &'a str,
}

/// Reads the one member of `Signature-Input`.
fn input(request: &Request) -> Result<Input<'_>, String> {
    let text = request.header("signature-input").strip_prefix("sig=").ok_or("the label is not sig")?;
    let (list, parameters) =
        text.strip_prefix('(').and_then(|rest| rest.split_once(')')).ok_or("no list of components")?;
    let mut components = Vec::new();
    for name in list.split(' ') {
        let unquoted = name.strip_prefix('"').and_then(|rest| rest.strip_suffix('"'));
        components.push(unquoted.ok_or_else(|| format!("{name} is not quoted"))?);
    }
    let mut read = BTreeMap::new();
    for parameter in parameters.split(';').skip(1) {
        let (name, value) = parameter.split_once('=').ok_or_else(|| format!("{parameter} has no value"))?;
        if read.insert(name, value.trim_matches('"')).is_some() {
            return Err(format!("{name} is given twice"));
        }
    }
    Ok(Input { components, parameters: read, text })
}

/// The signature base (RFC 9421 section 2.5): a line for each component, then the parameters.
fn base(request: &Request, input: &Input<'_>) -> String {
    let mut lines: Vec<String> = Vec::new();
    for component in &input.components {
        let value = match *component {
            "@method" => request.method.as_str(),
            "@target-uri" => request.target.as_str(),
            header => request.header(header),
        };
        lines.push(format!("\"{component}\": {value}"));
    }
    lines.push(format!("\"@signature-params\": {}", input.text));
    lines.join("\n")
}

/// Checks what can be checked without keys: the digest, and what the signature covers and says.
pub fn check_form(request: &Request) -> Result<(), String> {
    let digest = format!("sha-256=:{}:", STANDARD.encode(Sha256::digest(&request.body)));
    if request.header("content-digest") != digest {
        return Err(format!("the digest is {digest}, and {} was sent", request.header("content-digest")));
    }
    let input = input(request)?;
    for needed in ["@method", "@target-uri", "content-type", "content-digest", "idempotency-key"] {
        if !input.components.contains(&needed) {
            return Err(format!("{needed} is not covered: {}", input.text));
        }
    }
    let number = |name: &str| -> Result<i64, String> {
        let value = input.parameters.get(name).ok_or_else(|| format!("no {name}"))?;
        value.parse().map_err(|_| format!("{name} is {value}"))
    };
    let (created, expires) = (number("created")?, number("expires")?);
    let now = request.came_at;
    if !(now - 60..=now + 1).contains(&created) || !(created + 60..=created + 600).contains(&expires) {
        return Err(format!("created {created} and expires {expires} at {now}"));
    }
    match (input.parameters.get("alg"), input.parameters.get("tag")) {
        (Some(&"ed25519"), Some(&"parwright-delivery")) => Ok(()),
        other => Err(format!("{other:?}")),
    }
}

/// The id of the key that signed a request.
#[track_caller]
pub fn key_id(request: &Request) -> String {
    input(request).expect("a signature").parameters["keyid"].to_owned()
}

/// Checks the signature with the key of a set (RFC 7517) that it names.
#[track_caller]
pub fn check(request: &Request, keys: &Value) {
    check_form(request).unwrap_or_else(|wrong| panic!("{wrong}"));
    let id = key_id(request);
    let keys = keys["keys"].as_array().expect("a set of keys");
    let key = keys.iter().find(|key| key["kid"] == *id).unwrap_or_else(|| panic!("{id} is not published"));
    assert_eq!((&key["kty"], &key["crv"], &key["use"]), (&"OKP".into(), &"Ed25519".into(), &"sig".into()));
    assert!(key.get("d").is_none(), "a private key is published");
    let bytes = URL_SAFE_NO_PAD.decode(key["x"].as_str().expect("a key")).expect("base64url");
    let key = VerifyingKey::from_bytes(&bytes.try_into().expect("32 bytes")).expect("a point of the curve");
    let signature = request.header("signature").strip_prefix("sig=:").and_then(|rest| rest.strip_suffix(':'));
    let signature = STANDARD.decode(signature.expect("a byte sequence")).expect("base64");
    let signature = Signature::from_slice(&signature).expect("64 bytes");
    let base = base(request, &input(request).expect("a signature"));
    key.verify_strict(base.as_bytes(), &signature).unwrap_or_else(|error| panic!("{error} of\n{base}"));
    // The check itself can fail: one covered value is another.
    let mut other = request.clone();
    other.target.push('x');
    let other = self::base(&other, &input(request).expect("a signature"));
    assert!(key.verify_strict(other.as_bytes(), &signature).is_err());
}
