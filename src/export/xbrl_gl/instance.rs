//! An XBRL 2.1 instance as it is written: items with the context and unit that they need, and tuples.

use std::borrow::Cow;
use std::io::{self, Write};

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};

/// The id of the one context. XBRL GL dates its facts by elements of its own; a context is there because XBRL 2.1 asks for one.
const CONTEXT: &str = "now";
const CURRENCY: &str = "currency";
const PURE: &str = "pure";

/// The namespaces of the elements, and of the qualified names among the values.
const NAMESPACES: [(&str, &str); 8] = [
    ("xmlns:xbrli", "http://www.xbrl.org/2003/instance"),
    ("xmlns:link", "http://www.xbrl.org/2003/linkbase"),
    ("xmlns:xlink", "http://www.w3.org/1999/xlink"),
    ("xmlns:gl-cor", "http://www.xbrl.org/int/gl/cor/2015-03-25"),
    ("xmlns:gl-bus", "http://www.xbrl.org/int/gl/bus/2015-03-25"),
    ("xmlns:gl-muc", "http://www.xbrl.org/int/gl/muc/2015-03-25"),
    ("xmlns:iso4217", "http://www.xbrl.org/2003/iso4217"),
    ("xmlns:iso639", "http://www.xbrl.org/2005/iso639"),
];

/// Where the schema of the palette stands.
const SCHEMA: &str = "http://www.xbrl.org/taxonomy/int/gl/2015-03-25/plt/case-c-b-m/gl-plt-all-2015-03-25.xsd";

/// What the one context and its unit say.
#[derive(Clone, Copy, Debug)]
pub(super) struct About<'a> {
    /// The scheme of the entity's identifier, a URI.
    pub scheme: &'a str,
    pub identifier: &'a str,
    /// `YYYY-MM-DD`.
    pub date: &'a str,
    /// ISO 4217.
    pub currency: &'a str,
}

/// An instance that is being written.
pub(super) struct Instance<W: Write>(Writer<W>);

impl<W: Write> Instance<W> {
    /// Writes a whole instance: what comes before the facts, the facts, and its end.
    pub fn write(out: W, about: About<'_>, facts: impl FnOnce(&mut Self) -> io::Result<()>) -> io::Result<()> {
        let mut instance = Instance(Writer::new_with_indent(out, b' ', 1));
        instance.0.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
        instance.element("xbrli:xbrl", &NAMESPACES, |instance| {
            let schema =
                BytesStart::new("link:schemaRef").with_attributes([("xlink:type", "simple"), ("xlink:href", SCHEMA)]);
            instance.0.write_event(Event::Empty(schema))?;
            instance.context(about)?;
            instance.unit(CURRENCY, &currency_name(about.currency))?;
            instance.unit(PURE, "xbrli:pure")?;
            facts(instance)
        })?;
        instance.0.get_mut().flush()
    }

    fn context(&mut self, about: About<'_>) -> io::Result<()> {
        self.element("xbrli:context", &[("id", CONTEXT)], |context| {
            context.tuple("xbrli:entity", |entity| {
                entity.leaf("xbrli:identifier", &[("scheme", about.scheme)], about.identifier)
            })?;
            context.tuple("xbrli:period", |period| period.leaf("xbrli:instant", &[], about.date))
        })
    }

    fn unit(&mut self, id: &str, measure: &str) -> io::Result<()> {
        self.element("xbrli:unit", &[("id", id)], |unit| unit.leaf("xbrli:measure", &[], measure))
    }

    /// A tuple with what is in it.
    pub fn tuple(&mut self, name: &str, content: impl FnOnce(&mut Self) -> io::Result<()>) -> io::Result<()> {
        self.element(name, &[], content)
    }

    /// An item that is no number.
    pub fn item(&mut self, name: &str, value: &str) -> io::Result<()> {
        self.leaf(name, &[("contextRef", CONTEXT)], value)
    }

    /// The same, or nothing if there is no value.
    pub fn item_if_any(&mut self, name: &str, value: Option<&str>) -> io::Result<()> {
        value.filter(|value| !value.is_empty()).map_or(Ok(()), |value| self.item(name, value))
    }

    /// An item that is a currency.
    pub fn currency(&mut self, name: &str, code: &str) -> io::Result<()> {
        self.item(name, &currency_name(code))
    }

    /// An item that is an amount. It is exact, whatever its decimals.
    pub fn amount(&mut self, name: &str, amount: &str) -> io::Result<()> {
        self.number(name, CURRENCY, amount)
    }

    /// An item that counts.
    pub fn count(&mut self, name: &str, count: usize) -> io::Result<()> {
        self.number(name, PURE, &count.to_string())
    }

    fn number(&mut self, name: &str, unit: &str, value: &str) -> io::Result<()> {
        self.leaf(name, &[("contextRef", CONTEXT), ("unitRef", unit), ("decimals", "INF")], value)
    }

    fn element(
        &mut self,
        name: &str,
        attributes: &[(&str, &str)],
        content: impl FnOnce(&mut Self) -> io::Result<()>,
    ) -> io::Result<()> {
        self.0.write_event(Event::Start(BytesStart::new(name).with_attributes(attributes.iter().copied())))?;
        content(self)?;
        self.0.write_event(Event::End(BytesEnd::new(name)))
    }

    fn leaf(&mut self, name: &str, attributes: &[(&str, &str)], value: &str) -> io::Result<()> {
        self.element(name, attributes, |element| {
            element.0.write_event(Event::Text(BytesText::new(&representable(value))))
        })
    }
}

fn currency_name(code: &str) -> String {
    format!("iso4217:{code}")
}

/// The text with U+FFFD for each character that XML 1.0 cannot hold, not even escaped (section 2.2, production 2).
fn representable(text: &str) -> Cow<'_, str> {
    let held =
        |char: char| matches!(char, '\t' | '\n' | '\r' | ' '..='\u{d7ff}' | '\u{e000}'..='\u{fffd}' | '\u{10000}'..);
    if text.chars().all(held) {
        return Cow::Borrowed(text);
    }
    Cow::Owned(text.chars().map(|char| if held(char) { char } else { char::REPLACEMENT_CHARACTER }).collect())
}
