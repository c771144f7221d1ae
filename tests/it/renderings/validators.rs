//! The validators of XBRL instances: xmllint with the schemas of XBRL GL, and arelle, both without a network.
//!
//! The schemas of the Recommendation are XBRL International's and no part of this repository. `PARWRIGHT_XBRL_GL_SCHEMAS` names the
//! folder that holds their `gl`, else it is `../shared/xbrl-gl` beside the repository. The schemas of XBRL itself come with arelle.
//! Without one of these nothing is validated, which one line says; `PARWRIGHT_TEST_XBRL=required` makes that a failure.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;

use crate::support::python::{Wanted, left_undone, setting};

const SCHEMAS: &str = "PARWRIGHT_XBRL_GL_SCHEMAS";
const REQUIREMENT: &str = "PARWRIGHT_TEST_XBRL";
const LEFT_UNDONE: &str = "XBRL GL was NOT validated";
const ARELLE: Wanted = Wanted {
    modules: "arelle.CntlrCmdLine",
    requirements: "tests/renderings/requirements.txt",
    requirement: REQUIREMENT,
    left_undone: LEFT_UNDONE,
};
/// Where an instance says that its schema is.
const OFFICIAL: &str = "http://www.xbrl.org/taxonomy/int/gl/2015-03-25";

/// All that validates, of this test process.
#[derive(Clone, Debug)]
pub struct Validators {
    python: String,
    /// The folder of the schemas of XBRL GL: what `OFFICIAL` names.
    schemas: PathBuf,
    /// The schemas that arelle carries, by their addresses without `http://`.
    carried: String,
}

/// The validators; none where they are not and need not be.
///
/// # Panics
///
/// Where one is not there and is required.
pub fn validators() -> Option<&'static Validators> {
    static FOUND: OnceLock<Result<Option<Validators>, String>> = OnceLock::new();
    match FOUND.get_or_init(find) {
        Ok(validators) => validators.as_ref(),
        Err(reason) => panic!("{reason}"),
    }
}

fn find() -> Result<Option<Validators>, String> {
    let missing = |why: String| left_undone(REQUIREMENT, LEFT_UNDONE, &why).map(|()| None);
    let named = setting(SCHEMAS).map(PathBuf::from);
    let folder = named.unwrap_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/xbrl-gl"));
    let Ok(schemas) = folder.join("gl").canonicalize() else {
        return missing(format!("the schemas are not in {} ({SCHEMAS} names another folder)", folder.display()));
    };
    if let Err(error) = Command::new("xmllint").arg("--version").output() {
        return missing(format!("xmllint cannot be run (the package libxml2-utils has it): {error}"));
    }
    let Some(python) = ARELLE.find()? else { return Ok(None) };
    let place = "import arelle, pathlib; print(pathlib.Path(arelle.__path__[0]) / 'resources/cache/http')";
    let output = run(Command::new(&python).args(["-c", place]));
    Ok(Some(Validators { python, schemas, carried: said(&output).trim().to_owned() }))
}

impl Validators {
    /// All instances are what the schemas ask for, and a few what XBRL 2.1 asks for besides, which takes much longer to see.
    #[track_caller]
    pub fn check(&self, all: &[String], few: &[String]) {
        let (valid, said) = self.xmllint(all);
        assert!(valid, "{said}");
        if !few.is_empty() {
            let (valid, said) = self.arelle(few);
            assert!(valid, "{said}");
        }
    }

    /// Whether each of these instances is one by the schemas of the palette, and what is said of them.
    pub fn xmllint(&self, instances: &[String]) -> (bool, String) {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let catalog = directory.path().join("catalog.xml");
        let carried = format!("file://{}/", self.carried);
        let rewrite = format!(
            r#"<rewriteURI uriStartString="http://" rewritePrefix="{carried}"/><rewriteSystem systemIdStartString="http://" rewritePrefix="{carried}"/>"#
        );
        let text = format!(r#"<catalog xmlns="urn:oasis:names:tc:entity:xmlns:xml:catalog">{rewrite}</catalog>"#);
        std::fs::write(&catalog, text).expect("room for a catalog");
        let schema = self.schemas.join("plt/case-c-b-m/gl-plt-all-2015-03-25.xsd");
        let mut command = Command::new("xmllint");
        command
            .args(["--nonet", "--noout", "--schema"])
            .arg(schema)
            .args(files(directory.path(), instances.iter().cloned()));
        command.env("XML_CATALOG_FILES", &catalog);
        let output = run(&mut command);
        (output.status.success(), said(&output))
    }

    /// Whether each of these instances is a valid one of XBRL 2.1, and what is said of them. What is looked at are copies, which
    /// name the schema by its place on this machine.
    pub fn arelle(&self, instances: &[String]) -> (bool, String) {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let local = format!("file://{}", self.schemas.display());
        let copies = instances.iter().map(|instance| {
            assert!(instance.contains(OFFICIAL));
            instance.replace(OFFICIAL, &local)
        });
        let copies: Vec<_> = files(directory.path(), copies).iter().map(|copy| copy.display().to_string()).collect();
        let mut command = Command::new(&self.python);
        command
            .args(["-m", "arelle.CntlrCmdLine", "--internetConnectivity=offline", "--validationExitCode", "--validate"])
            .args(["--file", &copies.join("|")])
            // It keeps its settings there, which are nobody's.
            .env("XDG_CONFIG_HOME", directory.path());
        let output = run(&mut command);
        (output.status.success(), said(&output))
    }
}

/// Writes each text to a file of its own.
fn files(directory: &Path, texts: impl Iterator<Item = String>) -> Vec<PathBuf> {
    let written = texts.zip(0..).map(|(text, number)| {
        let file = directory.join(format!("{number}.xml"));
        std::fs::write(&file, text).expect("room for an instance");
        file
    });
    written.collect()
}

fn run(command: &mut Command) -> Output {
    command.stdin(Stdio::null()).output().unwrap_or_else(|error| panic!("cannot run {command:?}: {error}"))
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}
