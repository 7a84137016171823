// Entry: routes to a sheet, with the title block above and the foot beneath.

import { render } from "preact";
import { Block, Foot } from "./frame";
import { Attention } from "./pages/attention";
import { CasePage } from "./pages/case";
import { Cases } from "./pages/cases";
import { Changes } from "./pages/changes";
import { Collection } from "./pages/collection";
import { Glossary } from "./pages/glossary";
import { Families } from "./pages/families";
import { Loop } from "./pages/loop";
import { NotJudged } from "./pages/notjudged";
import { Register } from "./pages/register";
import { RegisterFile } from "./pages/registercsv";
import { Wiring } from "./pages/wiring";
import { WorkPage } from "./pages/work";
import * as route from "./route";
import * as state from "./state";

function Sheet() {
  const path = route.path.value;
  const tag = route.tagOf(path);
  if (tag !== null) return <Loop key={tag} tag={tag} />;
  const id = route.caseOf(path);
  if (id !== null) return <CasePage key={id} id={id} />;
  if (path === "/" || path === "") return <Attention />;
  if (path === "/wiring") return <Wiring />;
  if (path === "/cases") return <Cases />;
  if (path === "/families") return <Families />;
  if (path === "/collection") return <Collection />;
  if (path === "/not-judged") return <NotJudged />;
  if (path === "/register") return <Register />;
  if (path === "/register/csv") return <RegisterFile />;
  if (path === "/register/work") return <WorkPage />;
  if (path === "/register/changes") return <Changes />;
  if (path === "/glossary") return <Glossary />;
  return (
    <section class="lead">
      <h1 tabIndex={-1}>No sheet has the address {path}.</h1>
      <p class="sub">
        <a href="/">Attention</a> is the first one.
      </p>
    </section>
  );
}

function Page() {
  return (
    <>
      <a class="skip" href="#main">
        to the sheet
      </a>
      <Block />
      <main id="main">
        <Sheet />
      </main>
      <Foot />
    </>
  );
}

const root = document.getElementById("sheet");
if (root) {
  route.begin();
  state.begin();
  render(<Page />, root);
}
