// The register's four sheets, as a line of print.

const PARTS: readonly (readonly [string, string])[] = [
  ["/register", "Loops"],
  ["/register/csv", "As a file"],
  ["/register/work", "Announced work"],
  ["/register/changes", "What people changed"],
];

export function RegisterParts({ here }: { here: string }) {
  return (
    <p class="links" role="navigation" aria-label="Register">
      {PARTS.map(([address, name]) => (
        <a key={address} href={address} aria-current={address === here ? "page" : undefined}>
          {name}
        </a>
      ))}
    </p>
  );
}
